"""A run of the program at a terminal of its own, as a person has it."""

import fcntl
import os
import pty
import re
import select
import subprocess
import termios
import time

from bus import PATIENCE_S
from outside import PLAIN


class Terminal:
    """A run at a terminal of its own."""

    def __init__(self, words, env):
        self.ours, theirs = pty.openpty()
        self.process = subprocess.Popen(
            words,
            stdin=theirs,
            stdout=theirs,
            stderr=theirs,
            env=PLAIN | {"TERM": "xterm", "COLUMNS": "80"} | env,
            start_new_session=True,
            preexec_fn=lambda: fcntl.ioctl(0, termios.TIOCSCTTY, 0),
        )
        os.close(theirs)
        self.text, self.seen = "", 0

    def read(self):
        """More of what it shows, colours and moves of the cursor aside; false: it has ended."""
        try:
            more = os.read(self.ours, 4096)
        except OSError:
            more = b""
        self.text += re.sub(r"\x1b\[[0-9;?]*[a-zA-Z]", "", more.decode(errors="replace"))
        return bool(more)

    def sees(self, *words):
        """Waits for words, one after the other; each may stand on a line of its own."""
        for word in " ".join(words).split():
            until = time.monotonic() + PATIENCE_S
            while (at := self.text.find(word, self.seen)) < 0:
                left = until - time.monotonic()
                ready, _, _ = select.select([self.ours], [], [], max(left, 0))
                if not ready or not self.read():
                    raise AssertionError(f"waiting for `{word}` of `{words}`:\n{self.text}")
            self.seen = at + len(word)

    def types(self, keys):
        os.write(self.ours, keys.encode())

    def answers(self, *words, keys):
        """Waits for a question, and answers it."""
        self.sees(*words)
        self.types(keys)

    def ends(self):
        while self.read():
            pass
        return self.process.wait(timeout=PATIENCE_S)
