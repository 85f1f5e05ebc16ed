"""Lets linkmend read, unlock and restore a device whose server nobody of this project wrote.

    python3 tests/stranger/run.py [LINKMEND]      default: target/debug/linkmend

Needs Node and npm; the server's packages are installed beside this file when they are missing.
Every claim of linkmend is compared with the values that the server itself tells beside the wire.
"""

import json
import subprocess
import sys
import tempfile
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent / "system"))

from outside import Linkmend, Tally  # noqa: E402

# What the server starts with. The lock is a flag and a number there, one value for linkmend.
AT_FIRST = {
    "modelLock": True,
    "slot": 7,
    "name": "Bittern",
    "firmware": "3.2.1",
    "serial": "WT-0042",
    "boots": 1,
}


class Server:
    """The server as a process of its own, which ends with its stdin."""

    def __init__(self):
        self.process = subprocess.Popen(
            ["node", HERE / "server.mjs"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        self.at = f"http://127.0.0.1:{int(self.process.stdout.readline())}"

    def truth(self):
        """The real values, told beside the wire."""
        return self._ask("truth")

    def writes(self):
        """What was written so far, in that order."""
        return self._ask("writes")

    def _ask(self, word):
        self.process.stdin.write(f"{word}\n")
        self.process.stdin.flush()
        return json.loads(self.process.stdout.readline())

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.process.stdin.close()
        self.process.wait(timeout=30)


def install():
    """The server's packages as the lock file has them; none of their install scripts is run."""
    if not (HERE / "node_modules").is_dir():
        command = ["npm", "ci", "--ignore-scripts", "--no-audit", "--no-fund"]
        subprocess.run(command, cwd=HERE, check=True, stdin=subprocess.DEVNULL)


def main():
    install()
    program = sys.argv[1] if len(sys.argv) > 1 else HERE.parents[1] / "target/debug/linkmend"
    profile = HERE / "loaner.toml"
    tally = Tally()
    with Server() as server, tempfile.TemporaryDirectory() as data:
        device = ["--at", server.at, "--profile", profile]
        linkmend = Linkmend(program, data)

        def check_truth(what, **differs):
            tally.equal(what, server.truth(), AT_FIRST | differs)

        def check_reading(what, lock):
            said = linkmend("read", "--json", *device)
            tally.equal(f"{what}: exit code", said.code, 0, said)
            settings = {name: one.get("value") for name, one in said.json["settings"].items()}
            wanted = {"name": "Bittern", "firmware": "3.2.1", "model-lock": lock}
            tally.equal(f"{what}: settings", settings, wanted, said)
            serial = said.json["device"]["identity"]["serial"]
            tally.equal(f"{what}: serial", serial, server.truth()["serial"])

        def check_change(what, before, after, *words):
            said = linkmend(*words, "--yes", "--json", *device)
            tally.equal(f"{what}: exit code", said.code, 0, said)
            tally.equal(f"{what}: outcome", said.json.get("outcome"), "done", said)
            changes = [
                (line["setting"], line["before"]["value"], line["after"]["value"], line["proof"])
                for line in said.json.get("changes", [])
            ]
            wanted = [("model-lock", before, after, "after-restart")]
            tally.equal(f"{what}: proof", changes, wanted, said)

        said = linkmend("profile", "check", profile)
        tally.equal("the profile is sound", said.code, 0, said)

        check_reading("read of the locked device", 7)

        said = linkmend("unlock", "--dry-run", "--json", *device)
        tally.equal("dry run: exit code", said.code, 0, said)
        tally.equal("dry run: outcome", said.json.get("outcome"), "planned", said)
        check_truth("a dry run changes nothing")

        said = linkmend("unlock", "--json", *device)
        tally.equal("without consent: exit code", said.code, 6, said)
        check_truth("nothing is written without consent")

        check_change("unlock", 7, "off", "unlock")
        check_truth("the lock alone is cleared", modelLock=False, boots=2)
        check_reading("read of the unlocked device", "off")

        said = linkmend("unlock", "--yes", "--json", *device)
        tally.equal("second unlock: exit code", said.code, 0, said)
        tally.equal("second unlock: outcome", said.json.get("outcome"), "nothing-to-do", said)
        check_truth("a second unlock writes nothing", modelLock=False, boots=2)

        check_change("lock to 12", "off", 12, "unlock", "--to", "12")
        check_truth("it is locked to the new number", slot=12, boots=3)
        # In this order, so that it is never locked to the old number in between.
        order = ["modelLock", "slot", "modelLock"]
        tally.equal("the number is saved before the flag", server.writes(), order)
        check_reading("read of the newly locked device", 12)

        check_change("restore", 12, "off", "restore")
        # An unlocked device tells no number, so the number of before cannot be put back by it.
        check_truth("the lock is off again", modelLock=False, slot=12, boots=4)

        said = linkmend("unlock", "--to", "41", "--yes", "--json", *device)
        tally.equal("number out of range: exit code", said.code, 2, said)
        check_truth("a number out of range is not sent", modelLock=False, slot=12, boots=4)
        tally.equal("nothing else was written", server.writes(), [*order, "modelLock"])
    return tally.close()


if __name__ == "__main__":
    sys.exit(main())
