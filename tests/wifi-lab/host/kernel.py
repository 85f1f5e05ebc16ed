"""The kernel of the emulated machine: Debian's own, unpacked below the cache and never installed.

Guards against a half download: a folder has its name only when it is whole.
"""

import os
import re
import shutil
import subprocess
import tempfile
from dataclasses import dataclass
from pathlib import Path

META_PACKAGE = "linux-image-amd64"


@dataclass(frozen=True)
class Kernel:
    """Where one kernel lies."""

    version: str
    folder: Path

    @property
    def image(self):
        return self.folder / "boot" / f"vmlinuz-{self.version}"

    @property
    def modules(self):
        """The folder that stands for /lib/modules."""
        return self.folder / "lib/modules"

    def files_of(self, names):
        """The files of these modules and of all that they need, in the order to load them in."""
        files = []
        for name in names:
            words = ["modprobe", "-d", self.folder, "-S", self.version, "--show-depends", name]
            shown = subprocess.run(words, check=True, capture_output=True, text=True).stdout
            for line in shown.splitlines():
                # What is built in has no file, and says `builtin`.
                if line.startswith("insmod "):
                    file = Path(line.split()[1]).resolve()
                    if file not in files:
                        files.append(file)
        return files


def fetch(cache):
    """The kernel of the cache, downloaded when it is not there yet."""
    folder = cache / "kernel"
    if not folder.is_dir():
        with tempfile.TemporaryDirectory(dir=cache) as scratch:
            whole = _download(Path(scratch))
            os.rename(whole, folder)
    image = next((folder / "boot").glob("vmlinuz-*"))
    return Kernel(image.name.removeprefix("vmlinuz-"), folder.resolve())


def _download(scratch):
    run = lambda *words: subprocess.run(words, cwd=scratch, check=True)  # noqa: E731
    package = _newest()
    if package is None:
        run("apt-get", "update", "-qq")
        package = _newest()
    if package is None:
        raise RuntimeError(f"`{META_PACKAGE}` is not in the lists of apt")
    run("apt-get", "download", "-qq", package)
    [archive] = scratch.glob("*.deb")
    run("dpkg", "-x", archive, "unpacked")
    archive.unlink()
    unpacked = scratch / "unpacked"
    image = next((unpacked / "boot").glob("vmlinuz-*"))
    run("depmod", "-b", unpacked, image.name.removeprefix("vmlinuz-"))
    # Nothing here reads it, and it is large.
    shutil.rmtree(unpacked / "usr", ignore_errors=True)
    return unpacked


def _newest():
    """The package that the meta package stands for now; none where apt does not know it."""
    words = ["apt-cache", "depends", META_PACKAGE]
    shown = subprocess.run(words, capture_output=True, text=True).stdout
    found = re.search(r"Depends: (linux-image-[0-9]\S*)", shown)
    return found and found.group(1)
