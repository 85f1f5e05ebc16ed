"""The host's Wi-Fi over D-Bus, against a made-up NetworkManager: what it is asked for, and what
each of its answers comes to.

    python3 tests/system/wifi_over_dbus.py [FOLDER]      of the built programs; default: target/debug

As root. No radio is needed, so that failures are here that a radio does not give to order.
"""

import sys
import tempfile
import time
from pathlib import Path

from bus import Bus, MadeUp, Wifi, run, within
from outside import ROOT, Tally

NM = "org.freedesktop.NetworkManager"
POINT = "02:00:00:00:02:00"
OTHER = "02:00:00:00:03:00"
OWN = "192.168.77.20/24"
HOME = {"id": "Club house", "uuid": "11111111-2222-3333-4444-555555555555"}
# Debian's `nobody`: somebody who is not root.
SOMEBODY = ["setpriv", "--reuid=65534", "--regid=65534", "--clear-groups"]
PERSON = "nobody"

# `NMDeviceStateReason`s with which an activation fails after the adapter tried to get on, and what
# they come to where no radio tells more.
REASONS = {
    7: "wrong-passphrase",
    8: "not-let-in",
    9: "adapter-unavailable",
    10: "not-let-in",
    11: "not-let-in",
    53: "out-of-range",
    35: "adapter-unavailable",
    4: "wifi-failed",
    38: "wifi-failed",
}
# And after it had got on, while the address was waited for.
REASONS_OF_ADDRESSES = {4: "no-address", 5: "no-address", 17: "no-address", 64: "no-address"}

# Names of networks in hexadecimal, and as they are shown.
NAMES = {
    "5461726e426f6174": "TarnBoat",
    "": "(hidden)",
    "0000000000": "(hidden)",
    "1b5b324a0d0a": "\\u{1b}[2J\\u{d}\\u{a}",
    "c3a4ff": "ä\\xff",
}


def tries(code):
    """How often it is joined before that is believed."""
    return 2 if code == "wrong-passphrase" else 1


def soon(ask, wanted):
    """What it answers once it answers that, or after a while: signals overtake no answers, and are
    seen when they are seen."""
    until = time.monotonic() + 10
    while (found := ask()) != wanted and time.monotonic() < until:
        pass
    return found


def join(wifi, **more):
    words = {"adapter": "wlan0", "bssid": POINT, "wpa2": "sailing-tarn", "own": OWN} | more
    return wifi("join", **words)


def looks_around(tally, manager, wifi):
    adapters = wifi("adapters")["ok"]
    found = [(it["name"], it["state"], it["connected"]) for it in adapters]
    wanted = [("wlan0", "Ready", HOME["id"]), ("wlan1", "Ready", None)]
    tally.equal("adapters by their names", found, wanted)
    manager("point", adapter="wlan0", name="5461726e426f6174", bssid=POINT)
    wanted = {"name": "TarnBoat", "bssid": POINT, "signal": 60, "channel": 1, "offers": "WPA2"}
    wanted = [wanted | {"heard_s": 7.0}]
    found = soon(lambda: wifi("air", adapter="wlan0")["ok"], wanted)
    tally.equal("one access point", found, wanted)
    for number, (name, shown) in enumerate(NAMES.items()):
        bssid = f"02:00:00:00:aa:0{number}"
        manager("point", adapter="wlan1", name=name, bssid=bssid)
        heard = wifi("scan", adapter="wlan1")["ok"]
        found = [it["name"] for it in heard if it["bssid"] == bssid]
        tally.equal(f"name {name!r}", found, [shown])
    manager.called()
    wifi("scan", adapter="wlan0", hidden=["TarnHidden"])
    wanted = {"ssids": [list(b"TarnHidden")]}
    tally.equal("a name is called for", [it["options"] for it in manager.called()], [wanted])
    busy = [f"{NM}.Device.NotAllowed", "Scanning not allowed while already scanning"]
    manager("refuse-scan", errors=[busy, busy])
    found = wifi("scan", adapter="wlan0", hidden=["TarnHidden"])
    tally.holds("a scan under way is waited for", "ok" in found, found)
    tally.equal("and asked for again", len(manager.called()), 3)
    manager("point", adapter="wlan0", name="426f6174", bssid=OTHER, rsn=0, flags=0)
    found = wifi("air-changes", adapter="wlan0")["ok"]
    tally.equal("the air is kept up to date", sorted(it["bssid"] for it in found), [POINT, OTHER])
    manager("no-point", adapter="wlan0", bssid=OTHER)
    found = wifi("air-changes", adapter="wlan0")["ok"]
    tally.equal("and what has gone is gone", [it["bssid"] for it in found], [POINT])


def joins(tally, manager, wifi, person):
    manager.called()
    found = join(wifi)
    tally.holds(f"{person}: joined", "ok" in found, found)
    call = next(it for it in manager.called() if it["call"] == "join")
    settings = call["settings"]
    tally.equal("volatile, and ours alone", call["options"], {
        "persist": "volatile",
        "bind-activation": "dbus-client",
    })
    tally.holds("by the access point", "AccessPoint" in call["specific"], call)
    connection = settings["connection"]
    wanted = [f"user:{PERSON}:"] if person == PERSON else None
    tally.equal("for whom", connection.get("permissions"), wanted)
    tally.equal("never by itself", connection["autoconnect"], False)
    tally.equal("on this adapter", connection["interface-name"], "wlan0")
    wireless = settings["802-11-wireless"]
    tally.equal("its BSSID", bytes(wireless["bssid"]).hex(":"), POINT)
    tally.equal("its channel", (wireless["band"], wireless["channel"]), ("bg", 1))
    tally.equal("its name is not called for", wireless.get("hidden"), None)
    ipv4 = settings["ipv4"]
    tally.equal("never the default route", ipv4["never-default"], True)
    tally.equal("no gateway, no name server", [it for it in ipv4 if it in ("gateway", "dns")], [])
    tally.equal("its address", ipv4["address-data"], [{"address": "192.168.77.20", "prefix": 24}])
    tally.equal("no IPv6", settings["ipv6"], {"method": "disabled"})
    security = {"key-mgmt": "wpa-psk", "psk": "sailing-tarn"}
    tally.equal("its key", settings["802-11-wireless-security"], security)
    tally.equal("it is no way home", wifi("whereabouts", adapter="wlan0")["ok"]["connection"], None)
    return settings


def before_the_last_word(tally, manager, wifi):
    manager("walks", walks=[[40, 50, 60, 40, 50, 70, "address", "hold"]])
    found = join(wifi)
    tally.holds("usable before it is called activated", "ok" in found, found)
    tally.equal("the link", wifi("link", adapter="wlan0")["ok"], POINT)
    manager("flags", adapter="wlan0", flags=1)
    tally.equal("it falls", wifi("link-changes", adapter="wlan0")["ok"], "down")
    manager("flags", adapter="wlan0", flags=3)
    tally.equal("and comes again", wifi("link-changes", adapter="wlan0")["ok"], POINT)
    manager("walks", walks=[[40, 50, 70, "lease", "address", "hold"]])
    found = join(wifi, own=None)
    tally.equal("the router of a lease", found.get("ok"), {"gateway": "192.168.77.1"})
    hidden = {"bssid": POINT, "name": "TarnBoat"}
    wifi("scan", adapter="wlan0", hidden=["TarnBoat"])
    manager.called()
    join(wifi, **hidden)
    call = next(it for it in manager.called() if it["call"] == "join")
    tally.equal("called for by name", call["settings"]["802-11-wireless"].get("hidden"), True)


def failures(tally, manager, wifi):
    for reason, code in REASONS.items():
        manager("walks", walks=[[40, 50, [120, reason]]] * tries(code))
        found = join(wifi)
        tally.equal(f"reason {reason}", found.get("error"), code, found)
    for reason, code in REASONS_OF_ADDRESSES.items():
        manager("walks", walks=[[40, 50, 70, [120, reason]]])
        found = join(wifi, own=None)
        tally.equal(f"reason {reason} after it got on", found.get("error"), code, found)
    # A program that asks a person for another passphrase lets it stand there.
    asks_again = [40, 50, 60, 40, 50, 60, "hold"]
    manager("walks", walks=[asks_again] * 2)
    tally.equal("asked for another", join(wifi).get("error"), "wrong-passphrase")
    manager.called()
    # A handshake fails like that, too, where a frame was lost.
    for refuses in [[40, 50, [120, 7]], asks_again]:
        manager("walks", walks=[refuses, [40, 50, 70, "address", 100]])
        found = join(wifi)
        tally.holds("one that refused once lets in", "ok" in found, found)
        calls = [it["call"] for it in manager.called() if it["call"] != "deactivate"]
        tally.equal("at the second time", calls, ["join", "join"])
    manager("walks", walks=[[40, 50, [120, 7]], [40, 50, "hold"]])
    tally.equal("given up at the second", join(wifi, drop_ms=2000).get("ok"), "dropped")
    # What failed by itself is over, and is not left.
    calls = [it["call"] for it in manager.until_called("deactivate")]
    tally.equal("and left again, too", calls, ["join", "join", "deactivate"])
    manager("point", adapter="wlan0", name="5461726e426f6174", bssid=OTHER)
    manager("walks", walks=[[40, 50, ["other", OTHER], 70, "address", 100]])
    tally.equal("another one of the name", join(wifi).get("error"), "joined-another")
    tally.equal("and that is left", manager.called()[-1]["call"], "deactivate")
    manager("refuse-join", errors=[[f"{NM}.Device.InvalidConnection", "no\u001b[2J such"]])
    found = join(wifi)
    tally.holds("its words are escaped", "\x1b" not in found["text"], found)
    manager.called()
    found = join(wifi, bssid="02:00:00:00:09:00", name="Nobody")
    tally.equal("one that is not there", found.get("error"), "out-of-range", found)
    calls = [it["call"] for it in manager.called()]
    tally.equal("is looked for once and not tried", calls, ["scan"])
    tally.equal("a passphrase of 7", join(wifi, wpa2="1234567").get("error"), "wrong-passphrase")
    tally.equal("is not tried", manager.called(), [])
    tally.equal("no way in", join(wifi, wpa2=None, wpa3="sailing-tarn").get("error"), "no-way-in")
    tally.equal("is not tried, either", manager.called(), [])
    manager("walks", walks=[[40, 50, "hold"]])
    tally.equal("given up", join(wifi, drop_ms=200).get("ok"), "dropped")
    calls = manager.until_called("deactivate")
    wanted = ["join", "deactivate"]
    tally.equal("and left again", [it["call"] for it in calls], wanted)


def not_allowed(tally, manager, wifi):
    denied = ["org.freedesktop.DBus.Error.AccessDenied", "Rejected send message"]
    refused = [f"{NM}.PermissionDenied", "Not authorized to control networking."]
    action = f"{NM}.network-control"
    manager("permission", action=action, answer="auth")
    for error in [denied, refused]:
        manager("refuse-join", errors=[error])
        found = join(wifi)
        tally.equal("may not join", found.get("error"), "not-permitted", found)
        tally.holds("the action is named", action in found.get("help", ""), found)
    codes = [(it["code"], it["level"]) for it in wifi("host")["ok"]]
    tally.holds("`host` knew it before", ("permission-join", "missing") in codes, codes)
    manager("permission", action=action, answer="yes")
    action = f"{NM}.wifi.scan"
    manager("permission", action=action, answer="no")
    manager("refuse-scan", errors=[refused])
    found = wifi("scan", adapter="wlan0")
    tally.equal("may not look around", found.get("error"), "not-permitted", found)
    tally.holds("that action is named", action in found.get("help", ""), found)
    manager("permission", action=action, answer="yes")


def not_usable(tally, manager, wifi):
    def scan():
        return wifi.error("scan", adapter="wlan1")

    def becomes(what, code):
        tally.equal(what, soon(scan, code), code)

    manager("state", adapter="wlan1", state=10)
    becomes("unmanaged", "adapter-unmanaged")
    manager("state", adapter="wlan1", state=20)
    becomes("not ready", "adapter-unavailable")
    manager("manager", WirelessEnabled=False)
    becomes("switched off", "wifi-off")
    manager("manager", WirelessHardwareEnabled=False)
    becomes("blocked", "adapter-blocked")
    codes = [it["code"] for it in wifi("host")["ok"] if it.get("adapter") == "wlan1"]
    tally.equal("`host` says the same", codes, ["adapter-blocked"])
    manager("manager", WirelessEnabled=True, WirelessHardwareEnabled=True)
    manager("state", adapter="wlan1", state=30)
    becomes("ready again", None)
    tally.equal("another name", wifi.error("scan", adapter="wlan7"), "unknown-adapter")


def goes_home(tally, manager, wifi, home):
    join(wifi)
    left = {"id": "linkmend-left", "uuid": "22222222-0000-0000-0000-000000000000"}
    manager("saved", adapter="wlan0", unsaved=True, **left)
    going = {"id": "linkmend-going", "uuid": "22222222-0000-0000-0000-000000000003"}
    manager("saved", adapter="wlan0", unsaved=True, **going)
    elsewhere = {"id": "linkmend-other", "uuid": "22222222-0000-0000-0000-000000000001"}
    manager("saved", adapter="wlan1", unsaved=True, **elsewhere)
    kept = {"id": "linkmend-kept", "uuid": "22222222-0000-0000-0000-000000000002"}
    manager("saved", adapter="wlan0", unsaved=False, **kept)
    manager.called()
    found = wifi("go-home", home=home)
    tally.holds("home again", "ok" in found, found)
    calls = [(it["call"], it.get("id")) for it in manager.called()]
    ours = f"linkmend-{POINT}"
    swept = [("delete", going["id"]), ("delete", left["id"])]
    wanted = [("deactivate", ours), *swept, ("activate", HOME["id"])]
    tally.equal("left, swept, and home", [calls[0], *sorted(calls[1:3]), *calls[3:]], wanted)
    tally.equal("where it was", wifi("whereabouts", adapter="wlan0").get("ok"), home)
    wifi("go-home", home=home)
    tally.equal("once more changes nothing", manager.called(), [])
    away = {"adapter": "wlan1", "connection": None}
    manager("walks", walks=[[40, 50, [120, 7]]] * 2)
    tally.equal("failed to join", join(wifi).get("error"), "wrong-passphrase")
    found = wifi("go-home", home=home)
    tally.holds("home again after that", "ok" in found, found)
    tally.holds("nothing is home, too", "ok" in wifi("go-home", home=away))
    there = {"adapter": "wlan1", "bssid": "02:00:00:00:aa:00"}
    join(wifi, **there)
    manager.called()
    wifi("go-home", home=away)
    calls = [it["call"] for it in manager.called()]
    tally.equal("left, and free to go on by itself", calls, ["deactivate"])
    manager("autoconnect", adapter="wlan1", **{"is": False})
    join(wifi, **there)
    manager.called()
    wifi("go-home", home=away)
    calls = [it["call"] for it in manager.called()]
    tally.equal("left, and disconnected as before", calls, ["disconnect"])
    manager("walks", walks=[[40, 50, [120, 53]], [40, 50, [120, 53]]])
    gone = {"adapter": "wlan1", "connection": {"id": HOME["uuid"], "name": HOME["id"]}}
    tally.equal("home is not in range", wifi.error("go-home", home=gone), "wifi-failed")
    calls = [it["call"] for it in manager.called()]
    tally.equal("which is tried twice", calls, ["activate", "activate"])
    gone = {"adapter": "wlan1", "connection": {"id": kept["uuid"][:-1] + "9", "name": "Quay"}}
    found = wifi("go-home", home=gone)
    tally.holds("home is saved no more", "`Quay` is saved no more" in found["text"], found)


def goes_away(tally, manager, wifi, home):
    manager("walks", walks=[[40, 50, "hold"]])
    wifi.send(do="join", adapter="wlan0", bssid=POINT, wpa2="sailing-tarn", own=OWN)
    manager.until_called("join")
    manager("vanish")
    tally.equal("the service goes while it joins", wifi.next().get("error"), "no-wifi-service")
    tally.equal("and says so from then on", wifi.error("adapters"), "no-wifi-service")
    tally.equal("also on the way home", wifi.error("go-home", home=home), "no-wifi-service")
    manager("come-back")
    tally.equal("it comes back", soon(lambda: wifi.error("adapters"), None), None)
    found = wifi("go-home", home=home)
    tally.holds("and we are home", "ok" in found, found)
    wifi("air", adapter="wlan0")
    manager("walks", walks=[[40, 50, "hold"]])
    wifi.send(do="join", adapter="wlan0", bssid=POINT, wpa2="sailing-tarn", own=OWN)
    manager.until_called("join")
    manager("unplug", adapter="wlan0")
    found = wifi.next()
    tally.equal("unplugged while it joins", found.get("error"), "adapter-unavailable", found)
    while (found := wifi("air-changes", adapter="wlan0")["ok"]) not in ("ended", "no change"):
        pass
    tally.equal("its air ends", found, "ended")
    tally.equal("no way home for it", wifi.error("go-home", home=home), "unknown-adapter")


def main():
    within(["--net", "--mount"])
    programs = Path(sys.argv[1]) if len(sys.argv) > 1 else ROOT / "target/debug"
    tally = Tally()
    for name in ["wlan0", "wlan1"]:
        run("ip", "link", "add", name, "type", "veth", "peer", "name", f"{name}-peer")
        run("ip", "link", "set", name, "up")
    with tempfile.TemporaryDirectory() as folder:
        Path(folder).chmod(0o755)
        nowhere = {"DBUS_SYSTEM_BUS_ADDRESS": f"unix:path={folder}/nothing"}
        tally.equal("no bus", Wifi(programs, nowhere).hello.get("error"), "no-wifi-service")
        bus = Bus(folder)
        tally.equal("no service", Wifi(programs, bus.env).hello.get("error"), "no-wifi-service")
        manager = MadeUp(bus.env)
        wifi = Wifi(programs, bus.env)
        tally.equal("no adapter", wifi.error("scan", adapter="wlan0"), "no-adapter")
        for number, name in enumerate(["wlan1", "wlan0"]):
            manager("adapter", name=name, number=number + 1)
        manager("saved", adapter="wlan0", active=True, **HOME)
        home = {
            "adapter": "wlan0",
            "connection": {"id": HOME["uuid"], "name": HOME["id"]},
        }
        found = soon(lambda: wifi("whereabouts", adapter="wlan0").get("ok"), home)
        tally.equal("home", found, home)
        looks_around(tally, manager, wifi)
        joins(tally, manager, wifi, "root")
        before_the_last_word(tally, manager, wifi)
        somebody = Wifi(programs, bus.env, SOMEBODY)
        joins(tally, manager, somebody, PERSON)
        somebody.close()
        failures(tally, manager, wifi)
        not_allowed(tally, manager, wifi)
        not_usable(tally, manager, wifi)
        goes_home(tally, manager, wifi, home)
        goes_away(tally, manager, wifi, home)
        wifi.close()
        manager.close()
        bus.close()
    return tally.close()


if __name__ == "__main__":
    sys.exit(main())
