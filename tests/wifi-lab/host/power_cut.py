"""Power really goes: the journal on a disk of the machine, which is killed in the middle of a change.

Only what was flushed to that disk survives. The machine is booted again twice over, once with a
receiver that had taken the save and once with one that had not: `resume` must be right about both.
"""

import subprocess
import tempfile
import time
from pathlib import Path

from host.machine import LabBroke
from host.volatile_disk import VolatileDisk

NAME = "power-cut"
DISK_MIB = 64
LIMIT_S = 420
SILENCE_S = 240


def run(lab, tally):
    """Both boots; once more where the lab broke."""
    for attempt in ("first", "second"):
        try:
            return _once(lab, tally)
        except LabBroke as fault:
            tally.broke(str(fault))
            if attempt == "first":
                tally.again([NAME])
    return tally.unknown(NAME)


def _once(lab, tally):
    with tempfile.TemporaryDirectory() as scratch:
        scratch = Path(scratch)
        before = VolatileDisk(_empty_disk(scratch), scratch / "before")
        with lab.boot("cut", {"do": "power-cut"}, [before.blockdev()]) as machine:
            _play(machine, tally, until="cut-now")
            machine.kill()
        durable, lost = before.cut()
        before.close()
        print(f"        the power went; {before.flushes} flushes, {lost} bytes lost", flush=True)
        disks = [VolatileDisk(durable, scratch / f"after{n}") for n in range(2)]
        words = [disk.blockdev() for disk in disks]
        with lab.boot("resumed", {"do": "power-back"}, words) as machine:
            _play(machine, tally, until="over")
        for disk in disks:
            disk.close()


def _play(machine, tally, until):
    for line in machine.lines(SILENCE_S, time.monotonic() + LIMIT_S):
        broke = line["event"] == "broke" or line.get("verdict") == "broke"
        if broke:
            raise LabBroke(line["why"])
        tally.take(line)
        if line["event"] == until:
            return
    raise LabBroke(f"the machine is gone before `{until}`")


def _empty_disk(scratch):
    image = scratch / "image"
    image.write_bytes(bytes(DISK_MIB * 2**20))
    subprocess.run(["mkfs.ext4", "-q", "-F", image], check=True, stdin=subprocess.DEVNULL)
    return image.read_bytes()
