"""The whole way to a receiver over Wi-Fi and home again, against a made-up NetworkManager, with a
simulated receiver behind the adapter: read, unlock, resume, and whatever cuts them off.

    python3 tests/system/way_over_dbus.py [FOLDER]      of the built programs; default: target/debug

As root. No radio is needed: the adapter is one end of a cable, and the receiver is at the other, in a
network namespace of its own.
"""

import signal
import subprocess
import sys
import time
from pathlib import Path

from bus import PATIENCE_S
from cable import BOAT, FIRST, HOME, OPEN, SECOND, is_home, stage
from outside import PLAIN, ROOT, Said

THIRD = "02:00:5e:00:00:03"
BARE = b"TarnBoat 9".hex()
# An address where nobody answers: the journal is opened, and then the command ends.
NOWHERE = ["--at", "http://127.77.77.77:9", "--limit", "attempts=1"]
# A step of an activation takes 5 ms.
A_SECOND = [50] * 200


class Running:
    """A run that is cut off."""

    def __init__(self, linkmend, *words, env=None):
        self.words = [*linkmend.words, *words]
        self.process = subprocess.Popen(
            self.words,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            env=PLAIN | linkmend.env | (env or {}),
        )

    def ends(self, *signals):
        for one in signals:
            self.process.send_signal(one)
        stdout, stderr = self.process.communicate(timeout=PATIENCE_S)
        return Said(self.words, self.process.returncode, stdout, stderr)


def joined(manager):
    """The BSSIDs that were joined since it was asked last, in that order."""
    calls = [it for it in manager.called() if it["call"] == "join"]
    bssids = [it["settings"]["802-11-wireless"]["bssid"] for it in calls]
    return [":".join(f"{byte:02x}" for byte in bssid) for bssid in bssids]


def there_and_back(tally, manager, linkmend, receiver):
    """One receiver, found, read, unlocked and proved by scripts that name no address."""
    manager.called()
    said = linkmend("read", "--json")
    tally.equal("it is read", (said.code, said.json.get("condition")), (0, "locked"), said)
    tally.equal("behind its own network", said.json["device"]["identity"]["bssid"], FIRST, said)
    tally.equal("which was joined once", joined(manager), [FIRST], said)
    is_home(tally, "read", manager)
    serial = said.json["device"]["identity"]["serial"]

    said = linkmend("unlock", "--dry-run", "--json")
    tally.equal("a dry run plans", (said.code, said.json.get("outcome")), (0, "planned"), said)
    tally.equal("and writes nothing", receiver.truth()["saves"], 0, said)
    is_home(tally, "a dry run", manager)

    said = linkmend("unlock", "--yes", "--json")
    tally.equal("it is unlocked", (said.code, said.json.get("outcome")), (0, "done"), said)
    proofs = [it["proof"] for it in said.json.get("changes", [])]
    tally.equal("and that is proved after its restart", proofs, ["after-restart"], said)
    device = receiver.truth()
    tally.equal("with one save and one restart", (device["saves"], device["boots"]), (1, 1), device)
    is_home(tally, "unlock", manager)
    return serial


def one_of_several(tally, manager, linkmend, receiver, serial):
    """Several of one name: none is joined by guess, and one that is meant is found."""
    before = receiver.truth()["saves"]
    manager("point", adapter="wlan0", name=BOAT, bssid=SECOND, on=True, strength=90)
    manager.called()
    said = linkmend("unlock", "--yes", "--json")
    found = (said.code, said.json.get("error", {}).get("code"))
    tally.equal("a script is told that there are several", found, (6, "several-devices"), said)
    message = said.json.get("error", {}).get("message", "")
    tally.holds("which are named", FIRST in message and SECOND in message, said)
    tally.equal("and none is joined", joined(manager), [], said)

    said = linkmend("read", "--json", "--device", SECOND)
    tally.equal("a BSSID says which", (said.code, joined(manager)), (0, [SECOND]), said)
    manager("no-point", adapter="wlan0", bssid=SECOND)
    manager("point", adapter="wlan0", name=BOAT, bssid=THIRD, on=True, strength=90)
    manager.called()
    said = linkmend("read", "--json", "--device", serial)
    code, first = said.code, (joined(manager) or [None])[0]
    tally.holds("a serial says which, and the journal knows where", code == 0 and first == FIRST, said)

    said = linkmend("unlock", "--yes", "--json", "--device", "Heron of the club", "--wait", "2")
    found = (said.code, said.json.get("error", {}).get("code"))
    tally.equal("one that is none of them is not written to", found, (6, "another-device"), said)
    tally.equal("though each was looked at, once", sorted(joined(manager)), [FIRST, THIRD], said)
    tally.equal("and left as it was", receiver.truth()["saves"], before, said)
    is_home(tally, "several", manager)
    manager("no-point", adapter="wlan0", bssid=THIRD)


def cut_off(tally, manager, linkmend):
    """Ended in the middle of a join: home by itself, or by the next command."""
    manager("walks", walks=[[40, 50, "hold"]])
    running = Running(linkmend, "read")
    manager.until_called("join")
    said = running.ends(signal.SIGINT)
    tally.equal("Ctrl-C ends a join", said.code, 130, said)
    is_home(tally, "Ctrl-C", manager)

    # Busy, so that what was asked for comes about after it was given up.
    manager("slow-join", seconds=0.3)
    running = Running(linkmend, "read")
    manager.until_called("join")
    said = running.ends(signal.SIGINT)
    manager("slow-join", seconds=0)
    tally.equal("Ctrl-C ends a join that was only asked for", said.code, 130, said)
    is_home(tally, "Ctrl-C right after it was asked for", manager)

    manager("walks", walks=[[40, 50, "hold"]])
    running = Running(linkmend, "read", "--json")
    manager.until_called("join")
    said = running.ends(signal.SIGKILL)
    tally.equal("it is killed", (said.code, said.stdout), (-9, ""), said)
    said = linkmend("read", *NOWHERE)
    tally.equal("the next command goes its own way", said.code, 3, said)
    told = f"is back on {HOME['id']}"
    tally.holds("after it went home and said so", told in said.stderr, said)
    is_home(tally, "kill -9", manager)
    said = linkmend("read", *NOWHERE)
    tally.holds("once", told not in said.stderr, said)

    # A second Ctrl-C while this computer is on its way home.
    manager.called()
    manager("walks", walks=[[40, 50, "hold"], [40, *A_SECOND, 70, "address", 100]])
    running = Running(linkmend, "read")
    manager.until_called("join")
    running.process.send_signal(signal.SIGINT)
    manager.until_called("activate")
    said = running.ends(signal.SIGINT)
    tally.equal("a second Ctrl-C ends it at once", said.code, 130, said)
    tally.holds("with nothing said of home", told not in said.stderr, said)
    said = linkmend("read", *NOWHERE)
    tally.holds("and the next command finishes", told in said.stderr, said)
    is_home(tally, "two times Ctrl-C", manager)


def wrong_passphrase(tally, manager, linkmend):
    """A passphrase that is not the one is asked for again."""
    # Each is shown twice before it counts as wrong.
    manager("walks", walks=[[40, 50, [120, 7]]] * 4)
    terminal = linkmend.at_terminal("read")
    for word in ["sedge and rush", "reeds-and-rushes"]:
        terminal.answers("does not take that passphrase.", "Passphrase of", keys=f"{word}\r")
    tally.equal("the third one is taken", terminal.ends(), 0, terminal.text)
    tally.holds("none is shown", "sedge" not in terminal.text, terminal.text)
    is_home(tally, "a wrong passphrase", manager)


def open_network(tally, manager, linkmend, receiver, folder):
    """A secret goes over an open network only where that was agreed to by its name."""
    profile = Path(ROOT, "profiles/sample-form.toml").read_text()
    was = 'security = "wpa2", passphrase = "reeds-and-rushes"'
    if was not in profile:
        raise RuntimeError("the profile has another network line")
    bare = Path(folder, "bare.toml")
    bare.write_text(profile.replace(was, 'security = "open"'))
    secret = Path(folder, "secret")
    secret.touch(mode=0o600)
    secret.write_text("marsh harrier\n")
    manager("point", adapter="wlan0", name=BARE, bssid=THIRD, on=True, **OPEN)
    words = ["write", "--secret-file", f"local-passphrase={secret}", "--profile", bare, "--json"]
    before = receiver.truth()["saves"]
    said = linkmend(*words, "--yes")
    found = (said.code, said.json.get("error", {}).get("code"))
    tally.equal("without consent it is refused", found, (6, "open-network"), said)
    said = linkmend(*words, "--yes", "--open-network", "TarnBoat 8")
    tally.equal("consent to another network is none", said.code, 6, said)
    said = linkmend("unlock", "--yes", "--profile", bare, "--json")
    found = (said.code, said.json.get("error", {}).get("code"))
    tally.equal("a key that its page sends along needs it too", found, (6, "open-network"), said)
    tally.equal("so nothing was written", receiver.truth()["saves"], before, said)
    said = linkmend(*words, "--dry-run")
    tally.equal("a dry run sends nothing that needs it", said.code, 0, said)
    said = linkmend(*words, "--yes", "--open-network", "TarnBoat 9")
    tally.equal("with it the secret is set", (said.code, said.json.get("outcome")), (0, "done"), said)
    is_home(tally, "an open network", manager)
    manager("no-point", adapter="wlan0", bssid=THIRD)


def another_subnet(tally, manager, linkmend, folder):
    """Nobody answers at the address of its family: the one that its network gives leads to it."""
    profile = Path(ROOT, "profiles/sample-form.toml").read_text()
    moved = Path(folder, "moved.toml")
    moved.write_text(profile.replace("192.168.77.", "192.168.78."))
    plain, leased = [40, 50, 70, "address", 100], [40, 50, 70, "lease", "address", 100]
    manager.called()
    manager("walks", walks=[plain, leased])
    bounds = ["--limit", "connect-s=1", "--limit", "attempts=1"]
    said = linkmend("read", "--json", "--profile", moved, *bounds)
    tally.equal("it is found at the way out of its network", said.code, 0, said)
    calls = [it["settings"]["ipv4"]["method"] for it in manager.called() if it["call"] == "join"]
    tally.equal("after it was looked for at its family's", calls, ["manual", "auto"], said)
    is_home(tally, "another subnet", manager)
    # A network that gives no address: who did not answer may have been late.
    gives_none = [40, 50, 70, [120, 17]]
    manager("walks", walks=[plain, gives_none, plain])
    said = linkmend("read", "--json", "--profile", moved, *bounds)
    found = (said.code, said.json.get("error", {}).get("code"))
    tally.equal("who answers nowhere is nobody", found, (3, "nobody-there"), said)
    calls = [it["settings"]["ipv4"]["method"] for it in manager.called() if it["call"] == "join"]
    tally.equal("and was asked once more", calls, ["manual", "auto", "manual"], said)
    is_home(tally, "no address", manager)


def without_waiting(tally, manager, linkmend):
    """What is there is taken, and nothing is waited for."""
    said = linkmend("read", "--json", "--wait", "0")
    tally.equal("what is there is taken", said.code, 0, said)
    manager("no-point", adapter="wlan0", bssid=FIRST)
    begun = time.monotonic()
    said = linkmend("read", "--json", "--wait", "0")
    passed = time.monotonic() - begun
    found = (said.code, said.json.get("error", {}).get("code"))
    tally.equal("where nothing is, that is told", found, (3, "no-network"), said)
    tally.holds("at once", passed < 5, f"{passed} s")
    manager("point", adapter="wlan0", name=BOAT, bssid=FIRST, on=True)


def resumed(tally, manager, linkmend, receiver, folder):
    """Killed right before the save is sent: the next run goes home, joins that one again and ends it."""
    reached = Path(folder, "reached")
    env = {"LINKMEND_CHECKPOINT": "after-writing", "LINKMEND_CHECKPOINT_FILE": str(reached)}
    running = Running(linkmend, "unlock", "--to", "5", "--yes", "--json", env=env)
    until = time.monotonic() + PATIENCE_S
    while running.process.poll() is None and time.monotonic() < until:
        if reached.exists() and "after-writing" in reached.read_text():
            break
        time.sleep(0.01)
    said = running.ends(signal.SIGKILL)
    tally.equal("it is cut off before the save", said.code, -9, said)
    manager("point", adapter="wlan0", name=BOAT, bssid=SECOND, on=True, strength=90)
    manager.called()
    said = linkmend("resume", "--yes", "--json")
    outcomes = [it["outcome"] for it in said.json.get("resumed", [])]
    tally.equal("resume ends it", (said.code, outcomes), (0, ["done"]), said)
    tally.equal("on that very one", set(joined(manager)), {FIRST}, said)
    tally.equal("which is as it was told", receiver.truth()["settings"].get("model-lock"), 5, said)
    is_home(tally, "resume", manager)
    manager("no-point", adapter="wlan0", bssid=SECOND)


def main():
    with stage() as (tally, manager, linkmend, receiver, _, folder):
        manager("point", adapter="wlan0", name=BOAT, bssid=FIRST, on=True)
        serial = there_and_back(tally, manager, linkmend, receiver)
        one_of_several(tally, manager, linkmend, receiver, serial)
        cut_off(tally, manager, linkmend)
        wrong_passphrase(tally, manager, linkmend)
        open_network(tally, manager, linkmend, receiver, folder)
        another_subnet(tally, manager, linkmend, folder)
        without_waiting(tally, manager, linkmend)
        resumed(tally, manager, linkmend, receiver, folder)
    return tally.close()


if __name__ == "__main__":
    sys.exit(main())
