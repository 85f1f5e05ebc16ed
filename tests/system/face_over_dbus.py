"""What a person and a script meet of Wi-Fi: `host`, `find` and the questions, against a made-up
NetworkManager, with a simulated receiver behind the adapter.

    python3 tests/system/face_over_dbus.py [FOLDER]      of the built programs; default: target/debug

As root. No radio is needed: the adapter is one end of a cable, and the receiver is at the other, in a
network namespace of its own.
"""

import json
import signal
import sys

from bus import run
from cable import BOAT, FIRST, HOME, OPEN, SECOND, Face, is_home, stage

NM = "org.freedesktop.NetworkManager"
COPY = "06:11:22:33:44:55"


def lines(said):
    return [json.loads(line) for line in said.stdout.splitlines()]


def host(tally, manager, linkmend):
    said = linkmend("host", "--json")
    levels = {it["code"]: it["level"] for it in said.json["findings"]}
    tally.equal("what is there is fine", levels.get("network-manager"), "ok", said)
    tally.equal("and the way is free", (said.code, said.json["free"]), (0, True), said)
    manager("permission", action=f"{NM}.network-control", answer="no")
    said = linkmend("host")
    tally.equal("what is not allowed is missing", said.code, 1, said)
    tally.holds("with its action", f"{NM}.network-control" in said.stdout, said)
    manager("permission", action=f"{NM}.network-control", answer="yes")


def find(tally, manager, linkmend):
    said = linkmend("find")
    tally.equal("nothing is there", (said.code, said.stdout), (3, ""), said)
    tally.holds("and it says how long to wait", "linkmend find --wait" in said.stderr.replace("\n", " "), said)
    manager("point", adapter="wlan0", name=BOAT, bssid=FIRST, on=True)
    manager("point", adapter="wlan0", name=BOAT, bssid=SECOND, on=True, strength=20)
    manager("point", adapter="wlan0", name=BOAT, bssid=COPY, on=True, **OPEN)
    manager("point", adapter="wlan0", name=b"Club house".hex(), bssid="02:00:00:00:aa:01", on=True)
    said = linkmend("find")
    tally.equal("two are there", said.code, 0, said)
    for words in [FIRST, SECOND, "WPA2", "sample-form", "3 networks are called TarnBoat 3",
                  "differ in security and maker", "is secured otherwise"]:
        tally.holds(f"it shows {words}", words in said.stdout, said)
    tally.holds("and no other network", "Club house" not in said.stdout, said)
    tally.holds("but with --all", "Club house" in linkmend("find", "--all").stdout, said)
    said = linkmend("find", "--json")
    *events, last = lines(said)
    came = sorted((it["event"], it["device"]["network"]["bssid"]) for it in events)
    tally.equal("each as it came", came, [("there", FIRST), ("there", SECOND)], said)
    found = sorted(it["identity"]["bssid"] for it in last["devices"])
    tally.equal("and all at the end", found, [FIRST, SECOND], said)
    tally.equal("apart from those that fit no family", [it["bssid"] for it in last["misfits"]], [COPY], said)
    for bssid in (SECOND, COPY):
        manager("no-point", adapter="wlan0", bssid=bssid)


def watch(tally, manager, linkmend):
    terminal = linkmend.at_terminal("find", "--watch")
    terminal.sees("there", FIRST, "Now power the one that you mean")
    manager("point", adapter="wlan0", name=BOAT, bssid=SECOND, on=True)
    terminal.sees("came", SECOND)
    manager("no-point", adapter="wlan0", bssid=SECOND)
    terminal.sees("went", SECOND)
    terminal.process.send_signal(signal.SIGINT)
    tally.equal("what comes and goes is told until Ctrl-C", terminal.ends(), 0, terminal.text)


# What a script is told where the host's Wi-Fi cannot be used: what is done to it, and back again;
# what is typed; exit code and code.
DENIED = [f"{NM}.PermissionDenied", "Not authorized"]
REFUSED = [
    ([], [], ["--adapter", "boat0"], 2, "unknown-adapter"),
    ([("state", {"state": 10})], [("state", {"state": 30})], [], 1, "adapter-unmanaged"),
    (
        [("manager", {"WirelessEnabled": False}), ("state", {"state": 20})],
        [("manager", {"WirelessEnabled": True}), ("state", {"state": 30})],
        [],
        1,
        "wifi-off",
    ),
    (
        [("manager", {"WirelessHardwareEnabled": False}), ("state", {"state": 20})],
        [("manager", {"WirelessHardwareEnabled": True}), ("state", {"state": 30})],
        [],
        1,
        "adapter-blocked",
    ),
    ([("refuse-join", {"errors": [DENIED]})], [], [], 1, "not-permitted"),
    ([("walks", {"walks": [[40, 50, [120, 7]]] * 2})], [], [], 6, "wrong-passphrase"),
    ([("walks", {"walks": [[40, 50, [120, 53]]]})], [], [], 3, "out-of-range"),
    ([], [], ["--device", "02:00:00:00:00:77", "--wait", "1"], 3, "no-network"),
]


def order(manager, do, words):
    """An order to the made-up service, about its adapter where it is about one."""
    about = {"adapter": "wlan0"} if do == "state" else {}
    manager(do, **about, **words)


def refused(tally, manager, linkmend, receiver):
    for before, after, words, code, what in REFUSED:
        for do, more in before:
            order(manager, do, more)
        said = linkmend("read", "--json", *words)
        for do, more in after:
            order(manager, do, more)
        found = (said.code, said.json.get("error", {}).get("code"))
        tally.equal(f"{what}: told to a script", found, (code, what), said)
        tally.equal(f"{what}: and nothing else", said.stderr, "", said)
        is_home(tally, what, manager)
    device = receiver.truth()
    tally.equal("and nothing was written", (device["saves"], device["boots"]), (0, 0), device)


def portal(tally, manager, linkmend, receiver, programs):
    """Something that answers everything with a page, in the place of a receiver."""
    unlock = lambda: linkmend("unlock", "--yes", "--json")
    said, asked = receiver.asked_of_a_portal(programs, unlock)
    found = (said.code, said.json.get("error", {}).get("code"))
    tally.equal("a captive portal is no receiver", found, (3, "no-receiver"), said)
    tally.equal("and is only asked", asked, {"GET"}, said)
    is_home(tally, "a captive portal", manager)


def begin(terminal):
    terminal.answers("What do you see?", "for help]", keys="3\r")
    terminal.answers("What kind of receiver", "for help]", keys="1\r")
    terminal.answers("Before it is powered:", "[y/N", keys="y\r")


def questions(tally, manager, linkmend, receiver):
    manager.called()
    terminal = linkmend.at_terminal()
    begin(terminal)
    terminal.sees("1 It is powered here: linkmend finds its network and joins it.")
    terminal.answers("for help]", keys="1\r")
    terminal.answers("How does linkmend know its family?", "for help]", keys="1\r")
    code = terminal.ends()
    tally.equal("found, joined and read", code, 0, terminal.text)
    flat = " ".join(terminal.text.split())
    tally.holds("all settings are shown", "model-lock slot 7" in flat, terminal.text)
    tally.holds("and home again", f"is back on {HOME['id']}" in flat, terminal.text)
    calls = [it["call"] for it in manager.called() if it["call"] != "scan"]
    tally.equal("with one join, and one way home", calls.count("join"), 1, calls)
    device = receiver.truth()
    tally.equal("nothing was written", (device["saves"], device["boots"]), (0, 0), device)


def mended(tally, manager, linkmend, receiver):
    """The whole way: found, joined, its lock cleared and proved, and home again."""
    terminal = linkmend.at_terminal()
    terminal.answers("What do you see?", "for help]", keys="1\r")
    terminal.answers("What kind of receiver", "for help]", keys="1\r")
    terminal.answers("Before it is powered:", "[y/N", keys="y\r")
    terminal.answers("Which receiver?", "for help]", keys="1\r")
    terminal.answers("How does linkmend know its family?", "for help]", keys="1\r")
    terminal.answers("Which number does your transmitter show?", "help]:", keys="3\r")
    terminal.answers("your transmitter shows 3", "for help]", keys="2\r")
    terminal.answers("Write this?", "[y/N", keys="y\r")
    terminal.answers("Does it follow the sticks?", "for help]", keys="1\r")
    tally.equal("its lock is set over Wi-Fi", terminal.ends(), 0, terminal.text)
    flat = " ".join(terminal.text.split())
    tally.holds("and proved", "done, and proved" in flat, terminal.text)
    tally.equal("truly", receiver.truth()["settings"]["model-lock"], 3)
    is_home(tally, "a change", manager)


def by_hand(tally, linkmend, programs):
    """Without a service: the person joins, here by giving the adapter an address."""
    nobody = Face(programs, {"DBUS_SYSTEM_BUS_ADDRESS": "unix:path=/nonexistent/bus"}, linkmend.words[-1])
    terminal = nobody.at_terminal()
    begin(terminal)
    terminal.sees("linkmend joins no network by itself here, and you do it by hand")
    terminal.answers("Which receiver?", "for help]", keys="1\r")
    terminal.answers("How does linkmend know its family?", "for help]", keys="1\r")
    terminal.answers("Is this computer on it?", "for help]", keys="1\r")
    terminal.sees("Stay connected when you are told that it has no internet.")
    run("ip", "address", "add", "192.168.77.9/24", "dev", "wlan0")
    terminal.sees("What was found:", "You can go back to your own network now.")
    tally.equal("joined by hand and read", terminal.ends(), 0, terminal.text)
    run("ip", "address", "flush", "dev", "wlan0")


def nowhere(tally, manager, linkmend):
    """Whatever goes wrong leads to what can be done, and everything is put back at the end."""
    terminal = linkmend.at_terminal()
    begin(terminal)
    terminal.answers("Which receiver?", "for help]", keys="1\r")
    manager("refuse-join", errors=[[f"{NM}.PermissionDenied", "Not authorized"]])
    terminal.answers("How does linkmend know its family?", "for help]", keys="1\r")
    terminal.sees("error: this computer does not let you ask its NetworkManager for that")
    # The access point gives no address.
    manager("walks", walks=[[40, 50, 70, [120, 5]], [40, 50, 70, [120, 5]]])
    terminal.answers("What now?", "for help]", keys="1\r")
    terminal.sees("error:", FIRST, "gives this computer no address")
    manager("state", adapter="wlan0", state=20)
    manager("manager", WirelessEnabled=False)
    terminal.answers("What now?", "for help]", keys="1\r")
    terminal.sees("error: Wi-Fi is switched off")
    manager("manager", WirelessEnabled=True)
    manager("state", adapter="wlan0", state=30)
    terminal.answers("What now?", "for help]", keys="2\r")
    terminal.answers("Is this computer on it?", "for help]", keys="3\r")
    terminal.answers("Its address", "for help]", keys="127.77.77.77\r")
    terminal.sees("error: no device answers")
    terminal.answers("What now?", "for help]", keys="3\r")
    terminal.answers("Which receiver?", "for help]", keys="\x1b")
    tally.equal("each way that leads nowhere leads on", terminal.ends(), 130, terminal.text)


def several(tally, manager, linkmend, receiver):
    manager("point", adapter="wlan0", name=BOAT, bssid=SECOND, on=True)
    terminal = linkmend.at_terminal()
    begin(terminal)
    terminal.answers("Which receiver?", "for help]", keys="1\r")
    terminal.answers("How does linkmend know its family?", "for help]", keys="1\r")
    terminal.sees("Several receivers are there. Which one?", FIRST, SECOND)
    terminal.answers("Show me: I power the one that I mean now.", "for help]", keys="3\r")
    # It is powered while linkmend looks.
    terminal.sees("Power it now.")
    third = "02:00:5e:00:00:03"
    manager("point", adapter="wlan0", name=BOAT, bssid=third, on=True)
    terminal.answers("Is it this one?", third, "for help]", keys="1\r")
    tally.equal("the one that comes is the one", terminal.ends(), 0, terminal.text)
    tally.holds("it was joined", f"({third})" in " ".join(terminal.text.split()), terminal.text)
    for bssid in (SECOND, third):
        manager("no-point", adapter="wlan0", bssid=bssid)


def main():
    with stage() as (tally, manager, linkmend, receiver, programs, _):
        host(tally, manager, linkmend)
        find(tally, manager, linkmend)
        watch(tally, manager, linkmend)
        refused(tally, manager, linkmend, receiver)
        portal(tally, manager, linkmend, receiver, programs)
        questions(tally, manager, linkmend, receiver)
        mended(tally, manager, linkmend, receiver)
        by_hand(tally, linkmend, programs)
        nowhere(tally, manager, linkmend)
        several(tally, manager, linkmend, receiver)
    return tally.close()


if __name__ == "__main__":
    sys.exit(main())
