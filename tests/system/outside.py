"""What the checks from outside share: the real programs as processes, and a tally.

Nothing here knows linkmend from the inside: it is started as a script would, and what it claims
is compared with what the device says beside the wire.
"""

import json
import os
import subprocess
import urllib.request
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]

# A plain environment: neither colours nor the settings of who runs this.
PLAIN = {"PATH": os.environ["PATH"], "HOME": "/nonexistent", "NO_COLOR": "1", "COLUMNS": "100"}


@dataclass
class Said:
    """What one run said."""

    words: list
    code: int
    stdout: str
    stderr: str

    @property
    def json(self):
        """The one object on stdout; an empty one where there is none."""
        try:
            return json.loads(self.stdout)
        except ValueError:
            return {}

    def __str__(self):
        words = " ".join(map(str, self.words))
        return f"$ {words}\nexit code {self.code}\n{self.stdout}{self.stderr}"


class Linkmend:
    """The program with one data folder."""

    def __init__(self, program, data):
        self.program = program
        self.data = data

    def command(self, *words):
        return [self.program, *words, "--data-dir", self.data]

    def start(self, *words):
        """Starts a run; `finish` waits for it."""
        return subprocess.Popen(
            self.command(*words),
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            env=PLAIN,
            text=True,
        )

    def finish(self, process, limit_s=180):
        stdout, stderr = process.communicate(timeout=limit_s)
        return Said(process.args, process.returncode, stdout, stderr)

    def __call__(self, *words):
        return self.finish(self.start(*words))


class MockDevice:
    """A simulated receiver as a process of its own, which ends with its stdin."""

    def __init__(self, program, family, scenario="locked", speed=1):
        words = ["--family", family, "--scenario", scenario, "--speed", str(speed)]
        self.process = subprocess.Popen(
            [program, *words, "--until-stdin-closes"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
        )
        self.where = json.loads(self.process.stdout.readline())
        self.at = self.where["at"]

    def truth(self):
        """What is true of the device that answers now, told beside the wire."""
        with urllib.request.urlopen(self.where["truth"], timeout=10) as answer:
            truth = json.load(answer)
        return truth["devices"][truth["present"]]

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.process.stdin.close()
        self.process.wait(timeout=30)


class Tally:
    """Counts what held and what did not, and shows everything about what did not."""

    def __init__(self):
        self.passed = 0
        self.failed = 0

    def equal(self, what, found, wanted, said=""):
        """Holds where both are equal. `said` is shown where they are not."""
        return self.holds(what, found == wanted, f"found  {found}\nwanted {wanted}\n{said}")

    def holds(self, what, truth, said=""):
        if truth:
            self.passed += 1
            print(f"ok      {what}")
        else:
            self.failed += 1
            print(f"FAILED  {what}\n{said}", flush=True)
        return truth

    def close(self):
        """The closing line, and the exit code."""
        print(f"{self.passed} passed, {self.failed} failed", flush=True)
        return 0 if self.failed == 0 and self.passed > 0 else 1
