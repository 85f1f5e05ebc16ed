"""Programs of the machine: run to their end, or kept running with their output in a log.

The logs lie in the folder that the host sees, so that they outlive the machine.
"""

import asyncio
import contextlib
import os
import signal

from faults import LabBroke, within
from notice import Notice

LOGS = "/run/lab-out"
# Common practice, no source: far above what any of these programs takes on a slow machine.
COMMAND_LIMIT_S = 60


async def run(*words, quiet=False, limit_s=COMMAND_LIMIT_S):
    """Runs a program of the set-up to its end and gives what it printed."""
    words = [str(word) for word in words]
    process = await asyncio.create_subprocess_exec(
        *words,
        stdin=asyncio.subprocess.DEVNULL,
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.STDOUT,
    )
    try:
        async with within(limit_s, " ".join(words)):
            output = (await process.communicate())[0].decode(errors="replace")
    finally:
        if process.returncode is None:
            process.kill()
    if process.returncode != 0 and not quiet:
        raise LabBroke(f"`{' '.join(words)}` ended with {process.returncode}: {output.strip()}")
    return output


def inside(namespace, *words):
    """A command in a network namespace; none: the laptop's own."""
    return [*words] if namespace is None else ["ip", "netns", "exec", namespace, *words]


class Daemon:
    """A program that goes on beside the harness. Its lines are events."""

    def __init__(self, name, process, log, on_line):
        self.name = name
        self.process = process
        self._log = log
        self._on_line = on_line
        self._lines = []
        self.has_ended = False
        self.notice = Notice()
        self._reading = asyncio.create_task(self._read())

    @classmethod
    async def start(cls, name, *words, on_line=None, env=None, keep_stdin=False):
        """Starts it; `on_line` is called with each line of its output, in order."""
        log = open(f"{LOGS}/{name}.log", "ab", buffering=0)
        log.write(f"$ {' '.join(map(str, words))}\n".encode())
        process = await asyncio.create_subprocess_exec(
            *map(str, words),
            stdin=asyncio.subprocess.PIPE if keep_stdin else asyncio.subprocess.DEVNULL,
            stdout=asyncio.subprocess.PIPE,
            stderr=log,
            env=env,
        )
        return cls(name, process, log, on_line)

    async def _read(self):
        while line := await self.process.stdout.readline():
            self._log.write(line)
            text = line.decode(errors="replace").rstrip("\n")
            self._lines.append(text)
            if self._on_line is not None:
                self._on_line(text)
            self.notice.tell()
        self.has_ended = True
        self.notice.tell()

    async def says(self, text):
        """Waits until it has said a line that holds this."""
        said = lambda: [line for line in self._lines if text in line]  # noqa: E731
        await self.notice.until(lambda: said() or self.has_ended)
        if not said():
            raise LabBroke(f"{self.name} ended before it said `{text}`; see its log")
        return said()[0]

    def kill(self):
        with contextlib.suppress(ProcessLookupError):
            self.process.send_signal(signal.SIGKILL)

    async def stop(self, how=signal.SIGTERM):
        """Ends it; one that has ended already stays so."""
        if self.process.returncode is None:
            with contextlib.suppress(ProcessLookupError):
                self.process.send_signal(how)
        async with within(COMMAND_LIMIT_S, f"the end of {self.name}"):
            await self.process.wait()
            await self._reading
        self._log.close()


def write(path, text):
    """Writes a file of the machine's own, only root may read it."""
    os.makedirs(os.path.dirname(path), exist_ok=True)
    with open(path, "w", opener=lambda p, flags: os.open(p, flags, 0o600)) as file:
        file.write(text)
    return path
