"""The programs under test and the packages that the lab stands on."""

import shutil
import subprocess

from pathlib import Path

ROOT = Path(__file__).resolve().parents[3]

PROGRAMS = (Path("linkmend"), Path("mock-device"))
CONTRACT = Path("examples/wifi-contract")

# `.ci/run` installs them.
PACKAGES = [
    "binutils",
    "busybox-static",
    "cpio",
    "curl",
    "dbus",
    "dnsmasq-base",
    "e2fsprogs",
    "hostapd",
    "iproute2",
    "iw",
    "kmod",
    "network-manager",
    "passwd",
    "polkitd",
    "python3-jeepney",
    "qemu-system-x86",
    "udev",
    "util-linux",
    "wpasupplicant",
]


def missing_packages():
    """Those of the packages that are not installed."""
    words = ["dpkg-query", "-W", "-f", "${Package} ${db:Status-Status}\n", *PACKAGES]
    shown = subprocess.run(words, capture_output=True, text=True).stdout
    return [name for name in PACKAGES if f"{name} installed" not in shown.splitlines()]


class Programs:
    """linkmend and mock-device of one build."""

    def __init__(self, folder):
        self.folder = folder

    def plan(self, cache):
        """What the machine is told of them.

        They are copied without their debug information: an emulated machine reads each page of a
        file through the host, and most of a debug build is that.
        """
        lean = cache / "programs"
        lean.mkdir(exist_ok=True)
        for program in (*PROGRAMS, *self._checks()):
            words = ["strip", "--strip-all", "-o", lean / program.name, self.folder / program]
            if subprocess.run(words, capture_output=True).returncode != 0:
                shutil.copy(self.folder / program, lean / program.name)
        return {
            "linkmend": str(lean / "linkmend"),
            "mock_device": str(lean / "mock-device"),
            "profiles": str(ROOT / "profiles"),
            "contract": str(lean / CONTRACT.name),
            "contracts": self._contracts(),
        }

    def _checks(self):
        """What a build with the tests has as well."""
        return [CONTRACT] if (self.folder / CONTRACT).exists() else []

    def _contracts(self):
        """The parts of the contract of `wifi`, as its own program names them."""
        words = [self.folder / program for program in self._checks()]
        if not words:
            return []
        told = subprocess.run([*words, "--names"], capture_output=True, text=True, check=True)
        return told.stdout.split()
