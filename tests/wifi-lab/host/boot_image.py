"""The boot image: the least that brings the machine onto this computer's own file system.

That is mounted read-only, with a layer in memory above it. Guards against a lab that changes the
computer it runs on, and against two sets of packages to keep alike.
"""

import gzip
import hashlib
import shutil
import subprocess
import tempfile
from pathlib import Path

BUSYBOX = Path("/bin/busybox")
MODULES = ["virtio_pci", "virtio_rng", "9pnet_virtio", "9p", "overlay"]

# The first process. `lab.main` is what goes on in the real system, `lab.out` is a folder there that
# can be written to: it keeps the logs of the machine's daemons, also when the machine dies.
INIT = r"""#!/bin/busybox sh
/bin/busybox --install -s /bin
mount -t proc proc /proc; mount -t sysfs sysfs /sys; mount -t devtmpfs dev /dev
for file in $(cat /modules); do insmod "$file"; done
for word in $(cat /proc/cmdline); do
  case "$word" in lab.main=*) main=${word#*=};; lab.modules=*) modules=${word#*=};; esac
done
share() { mount -t 9p -o "trans=virtio,version=9p2000.L,msize=1048576,$3" "$1" "$2"; }
share host /mnt/host cache=loose,ro
mount -t tmpfs tmpfs /mnt/rw; mkdir -p /mnt/rw/up /mnt/rw/work
mount -t overlay overlay -o lowerdir=/mnt/host,upperdir=/mnt/rw/up,workdir=/mnt/rw/work /newroot
for d in proc sysfs:sys devtmpfs:dev tmpfs:run tmpfs:tmp; do mount -t "${d%:*}" "${d%:*}" "/newroot/${d#*:}"; done
mkdir -p /newroot/run/lab-out /newroot/lib/modules
share out /newroot/run/lab-out cache=none
mount -o bind "/mnt/host$modules" /newroot/lib/modules
exec switch_root /newroot /bin/bash "$main"
"""


def build(kernel, cache):
    """The image for this kernel, made anew only when what is in it has changed."""
    files = kernel.files_of(MODULES)
    told = "\n".join([kernel.version, INIT, *map(str, files)])
    name = hashlib.sha256(told.encode()).hexdigest()[:16]
    image = cache / f"boot-{name}.gz"
    if not image.exists():
        for old in cache.glob("boot-*.gz"):
            old.unlink()
        with tempfile.TemporaryDirectory(dir=cache) as scratch:
            tree = Path(scratch) / "tree"
            _fill(tree, files)
            part = Path(scratch) / "part"
            part.write_bytes(gzip.compress(_archive(tree), compresslevel=1))
            part.rename(image)
    return image


def _fill(tree, files):
    for folder in ("bin", "proc", "sys", "dev", "mnt/host", "mnt/rw", "newroot", "lib"):
        (tree / folder).mkdir(parents=True)
    shutil.copy(BUSYBOX, tree / "bin/busybox")
    for file in files:
        shutil.copy(file, tree / "lib" / file.name)
    (tree / "modules").write_text("".join(f"/lib/{file.name}\n" for file in files))
    (tree / "init").write_text(INIT)
    (tree / "init").chmod(0o755)


def _archive(tree):
    names = sorted(str(path.relative_to(tree)) for path in tree.rglob("*"))
    words = ["cpio", "-o", "-H", "newc", "--quiet"]
    told = "\n".join([".", *names, ""]).encode()
    return subprocess.run(words, cwd=tree, input=told, check=True, capture_output=True).stdout
