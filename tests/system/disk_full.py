"""A data folder on a disk that is really full: before a change, and in the middle of one.

    python3 tests/system/disk_full.py [FOLDER]      of the built programs; default: target/debug

Needs root and Linux: the data folder is a small tmpfs in a mount namespace of its own, which is
gone with this process. Before the first write a full disk must stop everything; after it the
change must still be seen to its end, its claims must be true, and the person must be told that the
journal failed.
"""

import errno
import os
import sys
import tempfile
import time
from pathlib import Path
from subprocess import run

from outside import ROOT, Linkmend, MockDevice, Tally

# Holds an empty journal with its log (about 250 KiB) and some changes.
DISK_KIB = 768

INSIDE = "LINKMEND_DISK_FULL_INSIDE"


class SmallDisk:
    """A tmpfs that can be filled to the last byte and given room again."""

    def __init__(self):
        self.path = Path(tempfile.mkdtemp())
        options = f"size={DISK_KIB}k,mode=0700"
        run(["mount", "-t", "tmpfs", "-o", options, "tmpfs", self.path], check=True)
        self.ballast = self.path / "ballast"
        # The program owns its folder, so that is one of its own on the disk.
        self.data = self.path / "data"

    def fill(self):
        with open(self.ballast, "ab", buffering=0) as file:
            for size in (4096, 1):
                try:
                    while file.write(bytes(size)):
                        pass
                except OSError as fault:
                    if fault.errno != errno.ENOSPC:
                        raise
        return self

    def make_room(self):
        self.ballast.unlink()

    def __enter__(self):
        return self

    def __exit__(self, *_):
        run(["umount", self.path], check=True)
        self.path.rmdir()


def full_before(tally, linkmend_program, device, disk, what):
    """Nothing is written to the device, and with room again the same command does it."""
    linkmend = Linkmend(linkmend_program, disk.data)
    before = device.truth()
    disk.fill()
    words = ["unlock", "--yes", "--json", "--trust-address", "--at", device.at]
    said = linkmend(*words)
    tally.equal(f"{what}: exit code", said.code, 1, said)
    error = said.json.get("error", {})
    tally.equal(f"{what}: code", error.get("code"), "journal-full", said)
    tally.equal(f"{what}: the device is untouched", device.truth(), before)
    person = linkmend(*[word for word in words if word != "--json"])
    tally.equal(f"{what}: exit code for a person", person.code, 1, person)
    tally.holds(f"{what}: a person is told", "no space left" in person.stderr, person)
    tally.equal(f"{what}: the device is still untouched", device.truth(), before)
    disk.make_room()
    said = linkmend(*words)
    tally.equal(f"{what}: done with room again", said.json.get("outcome"), "done", said)
    tally.equal(f"{what}: one save", device.truth()["saves"], before["saves"] + 1)


def full_after_the_save(tally, linkmend_program, device, disk, what, returns=False):
    """The save has left: the disk fills while the device is on its way through its restart.

    With `returns` its lock is back after that, which must be told as well as on a disk with room.
    """
    linkmend = Linkmend(linkmend_program, disk.data)
    lock = device.truth()["settings"]["model-lock"]
    process = linkmend.start("unlock", "--yes", "--json", "--trust-address", "--at", device.at)
    deadline = time.monotonic() + 60
    while device.truth()["saves"] == 0 and time.monotonic() < deadline:
        time.sleep(0.005)
    disk.fill()
    tally.equal(f"{what}: filled before the device is back", device.truth()["boots"], 0)
    said = linkmend.finish(process)
    truth = device.truth()
    wanted = (5, "put-back", "none", lock) if returns else (0, "done", "after-restart", "off")
    code, outcome, proof, now = wanted
    tally.equal(f"{what}: exit code", said.code, code, said)
    tally.equal(f"{what}: outcome", said.json.get("outcome"), outcome, said)
    proofs = [line["proof"] for line in said.json.get("changes", [])]
    tally.equal(f"{what}: proof", proofs, [proof], said)
    tally.equal(f"{what}: the claim is true", truth["settings"]["model-lock"], now)
    told = [note for note in said.json.get("notes", []) if "the journal failed" in note]
    tally.holds(f"{what}: the person is told that the journal failed", told, said)
    if returns:
        return
    tally.equal(f"{what}: one save and one restart", (truth["saves"], truth["boots"]), (1, 1))

    disk.make_room()
    # The journal does not know how it ended: `resume` looks, and writes nothing.
    said = linkmend("resume", "--yes", "--json", "--trust-address", "--at", device.at)
    outcomes = [change["outcome"] for change in said.json.get("resumed", [])]
    tally.equal(f"{what}: resume finds it unfinished and done", outcomes, ["done"], said)
    tally.equal(f"{what}: resume does not save again", device.truth()["saves"], 1)
    settings = device.truth()["settings"]
    tally.equal(f"{what}: nothing moved by resume", settings, truth["settings"])


def main():
    if os.environ.get(INSIDE) is None:
        os.environ[INSIDE] = "1"
        os.execvp("unshare", ["unshare", "--mount", sys.executable, *sys.argv])
    if os.geteuid() != 0:
        sys.exit("disk_full.py needs root: it mounts a small disk in a namespace of its own")
    programs = Path(sys.argv[1]) if len(sys.argv) > 1 else ROOT / "target/debug"
    linkmend, mock = programs / "linkmend", programs / "mock-device"
    tally = Tally()
    for family in ("sample-form", "sample-script"):
        with MockDevice(mock, family, speed=100) as device, SmallDisk() as disk:
            full_before(tally, linkmend, device, disk, f"{family}, full from the start")
        with MockDevice(mock, family, speed=100) as device, SmallDisk() as disk:
            read = Linkmend(linkmend, disk.data)("read", "--json", "--at", device.at)
            tally.equal(f"{family}: a journal is begun", read.code, 0, read)
            full_before(tally, linkmend, device, disk, f"{family}, full later on")
    # The waits last long enough to fill the disk in: 4 to 5.5 s and 2 to 4 s.
    for family, speed in (("sample-form", 10), ("sample-script", 2)):
        with MockDevice(mock, family, speed=speed) as device, SmallDisk() as disk:
            full_after_the_save(tally, linkmend, device, disk, f"{family}, full after the save")
        with MockDevice(mock, family, "lock-returns", speed) as device, SmallDisk() as disk:
            what = f"{family}, full after a save that does not take"
            full_after_the_save(tally, linkmend, device, disk, what, returns=True)
    return tally.close()


if __name__ == "__main__":
    sys.exit(main())
