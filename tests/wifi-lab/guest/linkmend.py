"""Runs of the program under test, as a script or a person starts it."""

import asyncio
import os

import outside
from faults import ProductFailed
from person import ROOT

# A run waits for a receiver's window, joins, writes, waits again and proves: some 20 s here.
RUN_LIMIT_S = 150
PATH = "/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin"


class Said(outside.Said):
    """What one run said, and what of it the scenarios look at."""

    @property
    def error(self):
        """The code of the error that it names; none where it names none."""
        return self.json.get("error", {}).get("code")

    @property
    def outcome(self):
        return self.json.get("outcome")

    def value(self, setting):
        """The value that a reading gave for a setting."""
        return self.json.get("settings", {}).get(setting, {}).get("value")


class Linkmend:
    """The program with one data folder, as one person."""

    def __init__(self, program, data, person=ROOT):
        self.program = program
        self.data = data
        self.person = person

    def environment(self, more=()):
        plain = {"PATH": PATH, "HOME": self.person.home, "NO_COLOR": "1", "COLUMNS": "100"}
        return plain | {"LANG": "C.UTF-8", "TERM": "xterm"} | dict(more)

    def command(self, *words):
        words = [self.program, *words, "--data-dir", self.data]
        return [str(word) for word in self.person.command(*words)]

    async def start(self, *words, env=()):
        """Starts a run; its `end` waits for it."""
        command = self.command(*words)
        process = await asyncio.create_subprocess_exec(
            *command,
            stdin=asyncio.subprocess.DEVNULL,
            stdout=asyncio.subprocess.PIPE,
            stderr=asyncio.subprocess.PIPE,
            env=self.environment(env),
            cwd="/run/lab",
        )
        return Run(["linkmend", *words], process)

    async def __call__(self, *words, env=(), limit_s=RUN_LIMIT_S):
        return await (await self.start(*words, env=env)).end(limit_s)


class Run:
    """A run that goes on."""

    def __init__(self, words, process):
        self.words = words
        self.process = process
        self._said = asyncio.create_task(process.communicate())

    async def end(self, limit_s=RUN_LIMIT_S):
        """Waits for its end."""
        try:
            async with asyncio.timeout(limit_s):
                stdout, stderr = await asyncio.shield(self._said)
        except TimeoutError:
            self.kill()
            stdout, stderr = await self._said
            said = self._tell(stdout, stderr)
            raise ProductFailed(f"it did not end within {limit_s} s\n{said}") from None
        return self._tell(stdout, stderr)

    async def until(self, what, waiting, limit_s=RUN_LIMIT_S):
        """Waits for something that this run is to bring about; its own end before that fails."""
        waiting = asyncio.ensure_future(waiting)
        try:
            done, _ = await asyncio.wait(
                [waiting, self._said], timeout=limit_s, return_when=asyncio.FIRST_COMPLETED
            )
            if waiting in done:
                return waiting.result()
            if not done:
                raise ProductFailed(f"{what}: not within {limit_s} s\n{await self.stop()}")
            raise ProductFailed(f"it ended before this: {what}\n{await self.end()}")
        finally:
            waiting.cancel()

    async def stop(self):
        """Ends it at once, without a chance to tidy up."""
        self.kill()
        return await self.end()

    def kill(self):
        if self.process.returncode is None:
            self.process.kill()

    def signal(self, number):
        os.kill(self.process.pid, number)

    def _tell(self, stdout, stderr):
        texts = (text.decode(errors="replace") for text in (stdout, stderr))
        return Said(self.words, self.process.returncode, *texts)
