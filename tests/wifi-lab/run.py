"""The real-Wi-Fi lab: linkmend over real Wi-Fi, without a radio.

    python3 tests/wifi-lab/run.py [FOLDER]             of the built programs; default: target/debug
    python3 tests/wifi-lab/run.py --only NAME ...      some scenarios alone, for writing them
    python3 tests/wifi-lab/run.py --bench [FOLDER]     the speed table; default: target/release

A stock Debian kernel under QEMU's software emulation, with the kernel's simulated radios; in it the
real hostapd, dnsmasq, wpa_supplicant, polkit and NetworkManager, and `mock-device` for the receivers.
The machine runs on this computer's own file system, read-only, and has no network card: nothing in
it reaches anything outside. Needs root, and the Debian packages that `.ci/run wifi_lab` installs.

How it is laid out:

- `host/` runs here: the kernel, the boot image, the machine, and what became of the scenarios.
- `guest/` runs in the machine: `lab.py` is what a scenario has in its hands.
- `guest/scenarios/` holds the scenarios, a module a subject.

To add a scenario, write an async function with a name that says what must hold, mark it with
`@scenario`, and name its module in `guest/scenarios/__init__.py`:

    @scenario()
    async def a_locked_receiver_is_unlocked(lab):
        boat = await lab.receiver()
        said = await lab.linkmend()("unlock", "--yes", "--json", "--profile", lab.profile())
        lab.check.equal("exit code", said.code, 0, said)
        lab.check.equal("the lock", (await boat.truth())["settings"]["model-lock"], "off")

Nothing waits for a time to pass: wait for a turn of a receiver (`boat.opens()`), for a guest of an
access point (`boat.point.guest()`), for a signal of NetworkManager (`lab.nm.reaches(...)`), or for a
run to end; the seconds in the code are outer deadlines alone. Whatever linkmend is to bring about is
waited for with `run.until(...)`, so that its not coming is told as the product's failure; all else
that goes wrong is the lab's, and is tried once more in a machine of its own.

The scenarios are dealt out to several machines that run side by side, since each does little but
wait; one of them carries many. What was said in a machine lies in `target/wifi-lab/` afterwards:
`console.log` has the kernel's messages, `out/` the daemons' logs.
"""

import argparse
import signal
import sys
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]
sys.path.insert(0, str(HERE))

from host import bench, boot_image, kernel, power_cut  # noqa: E402
from host.machine import LabBroke, Machine  # noqa: E402
from host.programs import Programs, missing_packages  # noqa: E402
from host.tally import Tally  # noqa: E402

# One boot with its share of the scenarios, on two slow cores that do nothing else.
BOOT_LIMIT_S = 1500
# Machines side by side: each keeps less than half of a core busy.
MACHINES = 3
# The longest that a sound scenario says nothing for, on a busy computer.
SILENCE_S = 330


def arguments():
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("programs", nargs="?", type=Path, metavar="FOLDER")
    parser.add_argument("--only", nargs="+", default=[], metavar="NAME")
    parser.add_argument("--bench", action="store_true", help="print the speed table")
    parser.add_argument("--missing", action="store_true", help="name the packages to install")
    parser.add_argument("--machines", type=int, default=MACHINES, help="side by side")
    parser.add_argument("--rounds", type=int, default=7, help="of the speed table")
    parser.add_argument("--shelf-rounds", type=int, default=3, help="of the shelf's speed table")
    given = parser.parse_args()
    kind = "release" if given.bench else "debug"
    given.programs = given.programs or ROOT / "target" / kind
    return given


class Lab:
    """The kernel, the image and the programs; machines are made of them."""

    def __init__(self, programs):
        self.cache = programs.folder.resolve().parent / "wifi-lab"
        self.cache.mkdir(parents=True, exist_ok=True)
        self.kernel = kernel.fetch(self.cache)
        self.image = boot_image.build(self.kernel, self.cache)
        self.plan = programs.plan(self.cache)
        self._running = set()
        self._lock = threading.Lock()

    def boot(self, name, plan, disks=()):
        machine = Machine(self.kernel, self.image, self.cache / name, self.plan | plan, disks)
        with self._lock:
            self._running.add(machine)
        return machine

    def end(self):
        """Takes the power of whatever still runs."""
        with self._lock:
            for machine in self._running:
                machine.kill()


def play(lab, tally, wanted, name, machines):
    """Boots so many with these scenarios. Gives the names of those of which nothing is known."""
    with ThreadPoolExecutor(machines) as pool:
        shares = [(f"{name}-{number}", (number, machines)) for number in range(machines)]
        plays = [pool.submit(play_share, lab, tally, wanted, *share) for share in shares]
        try:
            return [left for share in plays for left in share.result()]
        except BaseException:
            lab.end()
            raise


def play_share(lab, tally, wanted, name, share):
    """One boot with its share of these scenarios."""
    left = []
    try:
        with lab.boot(name, {"do": "scenarios", "only": wanted, "share": share}) as machine:
            for line in machine.lines(SILENCE_S, time.monotonic() + BOOT_LIMIT_S):
                if line["event"] == "planned":
                    left = list(line["scenarios"])
                    if line["unknown"]:
                        raise SystemExit(f"no such scenario: {', '.join(line['unknown'])}")
                elif line["event"] == "end" and line["verdict"] != "broke":
                    left.remove(line["scenario"])
                tally.take(line)
    except LabBroke as fault:
        tally.broke(f"{name}: {fault}")
    return left


def main():
    # Asked to end, it takes its machine with it.
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(143))
    given = arguments()
    missing = missing_packages()
    if given.missing:
        print(*missing)
        return 0
    if missing:
        sys.exit(f"run.py needs these Debian packages: {' '.join(missing)}")
    lab = Lab(Programs(given.programs))
    if given.bench:
        return bench.run(lab, given.rounds, given.shelf_rounds)
    tally = Tally()
    wanted = [name for name in given.only if name != power_cut.NAME]
    left = []
    if wanted or not given.only:
        left = play(lab, tally, wanted, "first", min(given.machines, len(wanted) or given.machines))
        if left or not tally.known:
            tally.again(left)
            again = left or wanted
            left = play(lab, tally, again, "second", min(given.machines, len(again) or 1))
    for name in left:
        tally.unknown(name)
    if not given.only or power_cut.NAME in given.only:
        power_cut.run(lab, tally)
    return tally.close()


if __name__ == "__main__":
    sys.exit(main())
