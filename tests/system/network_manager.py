"""The real NetworkManager without a radio: whether it takes what linkmend asks of it, and whether
`host` says of it what is so.

    python3 tests/system/network_manager.py [FOLDER]      of the built programs; default: target/debug

As root. It runs in namespaces of its own, on a bus of its own, with the packages' own rules for who
may say what to whom.
"""

import json
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from bus import AS_PACKAGED, PATIENCE_S, PYTHON, Bus, MadeUp, Wifi, run, within
from outside import PLAIN, ROOT, Tally

# Debian's `nobody`: somebody who is not root.
SOMEBODY = ["setpriv", "--reuid=65534", "--regid=65534", "--clear-groups"]
POINT = "02:00:00:00:02:00"
OPEN = "02:00:00:00:03:00"
HIGH = "02:00:00:00:04:00"

CONFIG = """[main]
plugins=keyfile
dhcp=internal
dns=none
rc-manager=unmanaged
hostname-mode=none
systemd-resolved=false
"""

# What each is joined with, beside its access point.
WISHES = {
    "open": {"bssid": OPEN},
    "WPA2": {"wpa2": "sailing-tarn"},
    "WPA3": {"wpa3": "sailing-tarn"},
    "an address of its own": {"wpa2": "sailing-tarn", "own": "192.168.77.20/24"},
    "a name that is called for": {"wpa2": "sailing-tarn", "hidden": True},
    "channel 36": {"bssid": HIGH},
}


class NetworkManager:
    """The real one, with nothing of this machine."""

    def __init__(self, folder, bus):
        for state in ["/run/NetworkManager", "/var/lib/NetworkManager", "/etc/NetworkManager"]:
            Path(state).mkdir(parents=True, exist_ok=True)
            run("mount", "-t", "tmpfs", "tmpfs", state)
        config = Path(folder, "NetworkManager.conf")
        config.write_text(CONFIG)
        words = ["NetworkManager", f"--config={config}", "--debug"]
        self.log = Path(folder, "log").open("w+")
        env = PLAIN | bus.env
        self.process = subprocess.Popen(words, stdout=self.log, stderr=self.log, env=env)

    def close(self):
        self.process.terminate()
        self.process.wait(timeout=PATIENCE_S)

    def said(self):
        self.log.seek(0)
        return self.log.read()[-2000:]


def settings_of(programs, folder):
    """What linkmend asks for, as a made-up one was asked."""
    with tempfile.TemporaryDirectory(dir=folder) as inner:
        Path(inner).chmod(0o755)
        bus = Bus(inner)
        manager = MadeUp(bus.env)
        manager("adapter", name="wlan0", number=1)
        # WPA2 and WPA3 beside each other.
        manager("point", adapter="wlan0", name="5461726e426f6174", bssid=POINT, rsn=0x588)
        manager("point", adapter="wlan0", name="4f70656e", bssid=OPEN, rsn=0, flags=0)
        manager("point", adapter="wlan0", name="426f6174", bssid=HIGH, frequency=5180, rsn=0, flags=0)
        found = {}
        for person, before in {"root": [], "somebody": SOMEBODY}.items():
            wifi = Wifi(programs, bus.env, before)
            for what, wish in WISHES.items():
                wish = dict(wish)
                hidden = ["TarnBoat"] if wish.pop("hidden", False) else []
                wifi("scan", adapter="wlan0", hidden=hidden)
                # Without an address that the namespace would have to give.
                manager("walks", walks=[[40, 50, [120, 53]]])
                manager.called()
                wifi("join", **({"adapter": "wlan0", "bssid": POINT} | wish))
                call = next(it for it in manager.called() if it["call"] == "join")
                found[person, what] = call["settings"]
            wifi.close()
        manager.close()
        bus.close()
        return found


def take(bus, asked):
    """What it says to one."""
    said = subprocess.run(
        [PYTHON, ROOT / "tests/system/take_connection.py"],
        input=json.dumps(asked),
        capture_output=True,
        text=True,
        env=PLAIN | bus.env,
        timeout=PATIENCE_S,
    )
    return said.stdout.strip() or said.stderr


def takes(tally, bus, settings):
    for (person, what), asked in settings.items():
        tally.equal(f"{person}, {what}", take(bus, asked), "taken", asked)
    # So that it is known to look.
    wrong = settings["root", "channel 36"]
    wrong["802-11-wireless"]["band"] = "bg"
    said = take(bus, wrong)
    tally.holds("a channel of the other band is not taken", "channel" in said, said)


def findings(programs, bus, before=()):
    wifi = Wifi(programs, bus.env, before)
    found = wifi("host")["ok"]
    wifi.close()
    return found


def main():
    within(["--net", "--mount"])
    programs = Path(sys.argv[1]) if len(sys.argv) > 1 else ROOT / "target/debug"
    tally = Tally()
    run("ip", "link", "add", "wlan0", "type", "veth", "peer", "name", "wlan0-peer")
    with tempfile.TemporaryDirectory() as folder:
        Path(folder).chmod(0o755)
        settings = settings_of(programs, folder)
        run("ip", "link", "delete", "wlan0")
        bus = Bus(folder, AS_PACKAGED)
        manager = NetworkManager(folder, bus)
        until = time.monotonic() + PATIENCE_S
        while "error" in (wifi := Wifi(programs, bus.env)).hello and time.monotonic() < until:
            wifi.kill()
        version = run("NetworkManager", "--version").strip()
        tally.equal("its version", wifi.hello.get("version"), version, manager.said())
        tally.equal("no adapter", wifi("adapters").get("ok"), [])
        takes(tally, bus, settings)

        found = {it["code"]: it["level"] for it in findings(programs, bus)}
        wanted = {"network-manager": "ok", "permissions": "ok", "no-adapter": "missing"}
        tally.equal("what `host` says to root", wanted.items() & found.items(), wanted.items())
        # There is no polkit on this bus, so that nobody but root is allowed anything.
        found = {it["code"]: it for it in findings(programs, bus, SOMEBODY)}
        for code in ["permission-join", "permission-describe", "permission-scan"]:
            it = found.get(code, {})
            tally.equal(f"somebody lacks {code}", it.get("level"), "missing", found)
            action = "org.freedesktop.NetworkManager."
            tally.holds("and is told which action", action in it.get("help", ""), it)

        manager.process.kill()
        manager.process.wait(timeout=PATIENCE_S)
        while wifi.error("adapters") is None and time.monotonic() < until:
            pass
        tally.equal("killed, it is missed", wifi.error("adapters"), "no-wifi-service")
        wifi.close()
        bus.close()
    return tally.close()


if __name__ == "__main__":
    sys.exit(main())
