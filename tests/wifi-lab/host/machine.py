"""One emulated machine: started, listened to, and ended.

What it has to say comes through a serial port of its own as lines of JSON, so that kernel messages
cannot split them; those go to the console's log. It has no network card. Only software emulation:
/dev/kvm is there on some computers where a guest never starts.
"""

import json
import shutil
import socket
import subprocess
import tempfile
import time
from pathlib import Path

GUEST_MAIN = Path(__file__).resolve().parents[1] / "guest/main.sh"
PORT = "linkmend.lab"

# The machine's memory holds what is written in it, besides its programs.
MEMORY_MIB = 1536
# From the power switch to the first line: 5 to 15 s on two slow cores, more on busy ones.
BOOT_LIMIT_S = 180


class LabBroke(Exception):
    """The lab itself did not do what it should; nothing is known of the product."""


class Machine:
    """A running machine. `plan` is sent to it as its first line."""

    def __init__(self, kernel, image, folder, plan, disks=()):
        """`folder` takes its logs; `disks` are words of QEMU's `-blockdev`, one a disk."""
        self.folder = folder
        shutil.rmtree(folder, ignore_errors=True)
        (folder / "out").mkdir(parents=True)
        # Not below the target folder: a socket's path has room for 107 bytes only.
        self._scratch = tempfile.TemporaryDirectory()
        port = Path(self._scratch.name) / "port"
        self._listener = socket.socket(socket.AF_UNIX)
        self._listener.bind(str(port))
        self._listener.listen(1)
        command = self._command(kernel, image, port, disks)
        self.process = subprocess.Popen(
            command,
            cwd=folder,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=open(folder / "qemu.log", "wb"),
        )
        try:
            self._listener.settimeout(30)
            self._port = self._listener.accept()[0]
        except OSError as fault:
            self.kill()
            raise LabBroke(f"the machine does not start: {self._complaint()}") from fault
        self._port.sendall(json.dumps(plan).encode() + b"\n")
        self._rest = b""

    def _command(self, kernel, image, port, disks):
        words = ["console=ttyS0", "quiet", "panic=-1"]
        words += [f"lab.main={GUEST_MAIN}", f"lab.modules={kernel.modules}"]
        share = "security_model=none,multidevs=remap"
        command = ["qemu-system-x86_64", "-machine", "pc", "-accel", "tcg,thread=multi"]
        command += ["-cpu", "max", "-m", str(MEMORY_MIB), "-smp", "2"]
        command += ["-display", "none", "-monitor", "none", "-no-reboot", "-nic", "none"]
        command += ["-serial", "file:console.log"]
        command += ["-device", "virtio-rng-pci", "-device", "virtio-serial-pci"]
        command += ["-chardev", f"socket,id=lab,path={port}"]
        command += ["-device", f"virtserialport,chardev=lab,name={PORT}"]
        command += ["-kernel", kernel.image, "-initrd", image.resolve(), "-append", " ".join(words)]
        command += ["-virtfs", f"local,path=/,mount_tag=host,readonly=on,{share}"]
        command += ["-virtfs", f"local,path=out,mount_tag=out,{share}"]
        for index, disk in enumerate(disks):
            command += ["-blockdev", f"{disk},node-name=disk{index}"]
            command += ["-device", f"virtio-blk-pci,drive=disk{index}"]
        return command

    def lines(self, silence_s, deadline):
        """What it says, as objects, until it is gone.

        Raises `LabBroke` after `silence_s` seconds without a line, or at `deadline` (monotonic).
        """
        limit = max(BOOT_LIMIT_S, silence_s)
        while True:
            line = self._line(min(deadline, time.monotonic() + limit))
            if line is None:
                return
            limit = silence_s
            yield line

    def _line(self, until):
        while b"\n" not in self._rest:
            self._port.settimeout(max(0.001, until - time.monotonic()))
            try:
                more = self._port.recv(65536)
            except TimeoutError:
                raise LabBroke("the machine says nothing any more") from None
            except ConnectionError:
                more = b""
            if not more:
                return None
            self._rest += more
        line, self._rest = self._rest.split(b"\n", 1)
        try:
            return json.loads(line)
        except ValueError:
            raise LabBroke(f"the machine says what is no JSON: {line!r}") from None

    def kill(self):
        """Takes its power away, in the middle of whatever it does."""
        self.process.kill()
        self.process.wait()

    def close(self):
        """Ends it for good; its logs stay."""
        self.kill()
        if hasattr(self, "_port"):
            self._port.close()
        self._listener.close()
        self._scratch.cleanup()

    def _complaint(self):
        return (self.folder / "qemu.log").read_text(errors="replace").strip() or "no word of QEMU"

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.close()
