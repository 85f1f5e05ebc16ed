"""A run of the program at a terminal, with the person's keys."""

import asyncio
import fcntl
import os
import pty
import re
import struct
import termios

from faults import ProductFailed
from linkmend import RUN_LIMIT_S, Said
from notice import Notice

# ECMA-48 control sequences: what is asserted is text alone.
SEQUENCE = re.compile(r"\x1b(\[[0-?]*[ -/]*[@-~]|[@-Z\\-_])")


class Terminal:
    """One run. All that it has shown stays to be searched."""

    @classmethod
    async def start(cls, linkmend, *words, env=()):
        self = cls()
        self.words = ["linkmend", *words]
        self._shown = ""
        self._searched = 0
        self._ended = False
        self._notice = Notice()
        self._ours, theirs = pty.openpty()
        fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 40, 100, 0, 0))
        self.process = await asyncio.create_subprocess_exec(
            *linkmend.command(*words),
            stdin=theirs,
            stdout=theirs,
            stderr=theirs,
            env=linkmend.environment(env),
            cwd="/run/lab",
            start_new_session=True,
            preexec_fn=lambda: fcntl.ioctl(0, termios.TIOCSCTTY, 0),
        )
        os.close(theirs)
        asyncio.get_running_loop().add_reader(self._ours, self._read)
        return self

    def _read(self):
        try:
            more = os.read(self._ours, 65536)
        except OSError:
            # EIO: the other end is closed.
            more = b""
        if more:
            self._shown += SEQUENCE.sub("", more.decode(errors="replace"))
        else:
            asyncio.get_running_loop().remove_reader(self._ours)
            self._ended = True
        self._notice.tell()

    async def shows(self, text, limit_s=RUN_LIMIT_S):
        """Waits until it has shown this since the last text that was waited for."""

        def look():
            at = self._shown.find(text, self._searched)
            if at >= 0:
                self._searched = at + len(text)
            return at >= 0 or self._ended

        try:
            async with asyncio.timeout(limit_s):
                await self._notice.until(look)
        except TimeoutError:
            raise ProductFailed(f"it did not show `{text}` in {limit_s} s\n{self._shown}") from None
        if text not in self._shown[: self._searched]:
            raise ProductFailed(f"it ended before it showed `{text}`\n{self._shown}")

    def types(self, keys):
        os.write(self._ours, keys.encode())

    async def end(self, limit_s=RUN_LIMIT_S):
        """Waits for its end; all that it showed counts as its stderr."""
        try:
            async with asyncio.timeout(limit_s):
                await self._notice.until(lambda: self._ended)
                code = await self.process.wait()
        except TimeoutError:
            self.process.kill()
            raise ProductFailed(f"it did not end within {limit_s} s\n{self._shown}") from None
        return Said(self.words, code, "", self._shown)

    def kill(self):
        if self.process.returncode is None:
            self.process.kill()
