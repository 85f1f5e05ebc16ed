"""One unlock against a simulated receiver in a process of its own, with its whole wait.

    python3 tests/system/real_wait.py [FOLDER]      of the built programs; default: target/debug

All other tests shorten the restart. This one sees the wait that a person sees, and that the proof
comes after it.
"""

import sys
import tempfile
import time
from pathlib import Path

from outside import ROOT, Linkmend, MockDevice, Tally

# The family's own range for a restart, in s.
RESTART_S = (4, 8)
# For reading, asking again once a second and a slow machine, in s.
SLACK_S = 10


def main():
    programs = Path(sys.argv[1]) if len(sys.argv) > 1 else ROOT / "target/debug"
    tally = Tally()
    mock = MockDevice(programs / "mock-device", "sample-script", "locked", speed=1)
    with mock as device, tempfile.TemporaryDirectory() as data:
        linkmend = Linkmend(programs / "linkmend", data)
        before = device.truth()
        begun = time.monotonic()
        said = linkmend("unlock", "--yes", "--trust-address", "--at", device.at)
        took = time.monotonic() - begun
        after = device.truth()
        tally.equal("exit code", said.code, 0, said)
        tally.holds("it says that it is proved", "done, and proved" in said.stdout, said)
        shortest, longest = RESTART_S
        in_time = shortest <= took <= longest + SLACK_S
        tally.holds(f"it waited for the whole restart: {took:.1f} s", in_time, said)
        wanted = before["settings"] | {"model-lock": "off"}
        tally.equal("the lock is off and nothing else moved", after["settings"], wanted)
        tally.equal("one save and one restart", (after["saves"], after["boots"]), (1, 1))
        print(said)
    return tally.close()


if __name__ == "__main__":
    sys.exit(main())
