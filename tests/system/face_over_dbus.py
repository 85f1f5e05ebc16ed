"""What a person and a script meet of Wi-Fi: `host`, `find` and the questions, against a made-up
NetworkManager, with a simulated receiver behind the adapter.

    python3 tests/system/face_over_dbus.py [FOLDER]      of the built programs; default: target/debug

As root. No radio is needed: the adapter is one end of a cable, and the receiver is at the other, in a
network namespace of its own.
"""

import json
import os
import pty
import re
import select
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from bus import Bus, Lines, MadeUp, run, within
from bus import PATIENCE_S
from outside import PLAIN, ROOT, Said, Tally

NM = "org.freedesktop.NetworkManager"
HOME = {"id": "Club house", "uuid": "11111111-2222-3333-4444-555555555555"}
BOAT = b"TarnBoat 3".hex()
FIRST, SECOND, COPY = "02:00:5e:00:00:01", "02:00:5e:00:00:02", "06:11:22:33:44:55"
OPEN = {"rsn": 0, "flags": 0}


# Answers whatever is asked with a page, until its stdin ends.
PORTAL = """
import http.server, json, sys, threading
class Page(http.server.BaseHTTPRequestHandler):
    def do_GET(self):
        length = int(self.headers.get("Content-Length") or 0)
        self.rfile.read(length)
        body = b"<html><head><title>Welcome</title></head><body><form method=post>" * 2
        self.send_response(200)
        self.send_header("Content-Type", "text/html")
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)
        print(json.dumps({"asked": self.command}), flush=True)
    do_POST = do_PUT = do_GET
    def log_message(self, *words): pass
server = http.server.ThreadingHTTPServer(("192.168.77.1", 80), Page)
threading.Thread(target=server.serve_forever, daemon=True).start()
print(json.dumps({"there": True}), flush=True)
sys.stdin.read()
"""


class Behind:
    """A receiver at the other end of the adapter."""

    def __init__(self, programs, adapter):
        self.holder = subprocess.Popen(["unshare", "--net", "sleep", str(10 * PATIENCE_S)])
        inside = Path(f"/proc/{self.holder.pid}/ns/net")
        while inside.readlink() == Path("/proc/self/ns/net").readlink():
            time.sleep(0.01)
        run("ip", "link", "set", f"{adapter}-peer", "netns", str(self.holder.pid))
        self.within = ["nsenter", f"--net={inside}"]
        run(*self.within, "ip", "link", "set", "lo", "up")
        run(*self.within, "ip", "address", "add", "192.168.77.1/24", "dev", f"{adapter}-peer")
        run(*self.within, "ip", "link", "set", f"{adapter}-peer", "up")
        self.start(programs)

    def start(self, programs):
        words = ["--family", "sample-form", "--scenario", "locked", "--listen-anywhere"]
        words += ["--listen", "192.168.77.1:80", "--speed", "20", "--until-stdin-closes"]
        self.device = Lines([*self.within, Path(programs, "mock-device"), *words], {})
        self.where = self.device.next()

    def truth(self):
        """What is true of it, told beside the wire."""
        read = "import sys, urllib.request as u; print(u.urlopen(sys.argv[1]).read().decode())"
        told = json.loads(run(*self.within, sys.executable, "-c", read, self.where["truth"]))
        return told["devices"][told["present"]]

    def asked_of_a_portal(self, programs, do):
        """What `do` gives while something answers in its place, and how that was asked."""
        self.device.close()
        portal = Lines([*self.within, sys.executable, "-c", PORTAL], {})
        portal.next()
        given = do()
        portal.close()
        asked = []
        while (line := portal.next()) is not None:
            asked.append(line["asked"])
        self.start(programs)
        return given, set(asked)

    def end(self):
        self.device.close()
        self.holder.kill()
        self.holder.wait(timeout=PATIENCE_S)


class Terminal:
    """A run at a terminal of its own."""

    def __init__(self, words, env):
        self.ours, theirs = pty.openpty()
        self.process = subprocess.Popen(
            words,
            stdin=theirs,
            stdout=theirs,
            stderr=theirs,
            env=PLAIN | {"TERM": "xterm", "COLUMNS": "80"} | env,
            start_new_session=True,
            preexec_fn=lambda: __import__("fcntl").ioctl(0, __import__("termios").TIOCSCTTY, 0),
        )
        os.close(theirs)
        self.text, self.seen = "", 0

    def read(self):
        """More of what it shows, colours and moves of the cursor aside; false: it has ended."""
        try:
            more = os.read(self.ours, 4096)
        except OSError:
            more = b""
        self.text += re.sub(r"\x1b\[[0-9;?]*[a-zA-Z]", "", more.decode(errors="replace"))
        return bool(more)

    def sees(self, *words):
        """Waits for words, one after the other; each may stand on a line of its own."""
        for word in " ".join(words).split():
            until = time.monotonic() + PATIENCE_S
            while (at := self.text.find(word, self.seen)) < 0:
                left = until - time.monotonic()
                ready, _, _ = select.select([self.ours], [], [], max(left, 0))
                if not ready or not self.read():
                    raise AssertionError(f"waiting for `{word}` of `{words}`:\n{self.text}")
            self.seen = at + len(word)

    def types(self, keys):
        os.write(self.ours, keys.encode())

    def answers(self, *words, keys):
        """Waits for a question, and answers it."""
        self.sees(*words)
        self.types(keys)

    def ends(self):
        while self.read():
            pass
        return self.process.wait(timeout=PATIENCE_S)


class Face:
    """The program on this bus."""

    def __init__(self, programs, env, data):
        self.words = [Path(programs, "linkmend"), "--data-dir", data]
        self.env = env

    def __call__(self, *words):
        words = [*self.words, *words]
        done = subprocess.run(
            words,
            stdin=subprocess.DEVNULL,
            capture_output=True,
            text=True,
            env=PLAIN | self.env,
            timeout=PATIENCE_S,
        )
        return Said(words, done.returncode, done.stdout, done.stderr)

    def at_terminal(self, *words):
        return Terminal([*self.words, *words], self.env)


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
    ([("walks", {"walks": [[40, 50, [120, 7]]]})], [], [], 6, "wrong-passphrase"),
    ([("walks", {"walks": [[40, 50, [120, 53]]]})], [], [], 3, "out-of-range"),
    ([], [], ["--device", "02:00:00:00:00:77", "--wait", "1"], 3, "no-network"),
]


def is_home(tally, what, manager):
    """The adapter is on its own network, and nothing is saved beside that."""
    manager("tell")
    told = [it for it in manager.called() if it["call"] == "told"][-1]
    home = {"active": [HOME["id"]], "saved": [HOME["id"]]}
    tally.equal(f"{what}: the host's Wi-Fi is as it was", {it: told[it] for it in home}, home)


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
    within(["--net", "--mount"])
    programs = Path(sys.argv[1]) if len(sys.argv) > 1 else ROOT / "target/debug"
    tally = Tally()
    run("ip", "link", "add", "wlan0", "type", "veth", "peer", "name", "wlan0-peer")
    run("ip", "link", "set", "wlan0", "up")
    receiver = Behind(programs, "wlan0")
    with tempfile.TemporaryDirectory() as folder:
        bus = Bus(folder)
        manager = MadeUp(bus.env)
        linkmend = Face(programs, bus.env, Path(folder, "data"))
        manager("adapter", name="wlan0", number=1)
        manager("saved", adapter="wlan0", active=True, **HOME)
        try:
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
        finally:
            manager.close()
            bus.close()
            receiver.end()
    return tally.close()


if __name__ == "__main__":
    sys.exit(main())
