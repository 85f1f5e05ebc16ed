"""What the checks over D-Bus share: a bus of their own in namespaces of their own, and the programs
on it.

Nothing here touches the machine's own bus, network or services.
"""

import json
import os
import subprocess
import sys
import threading
from pathlib import Path
from queue import Empty, Queue

from outside import PLAIN, ROOT

# Debian's own Python, which has Debian's modules.
PYTHON = "/usr/bin/python3"

# Longest that anything here may take, in s.
PATIENCE_S = 60

BUS = """<!DOCTYPE busconfig PUBLIC "-//freedesktop//DTD D-Bus Bus Configuration 1.0//EN"
 "http://www.freedesktop.org/standards/dbus/1.0/busconfig.dtd">
<busconfig>
  <listen>unix:path={socket}</listen>
  <auth>EXTERNAL</auth>
  {policy}
</busconfig>
"""

# Everybody may everything.
OPEN = """<policy context="default">
    <allow send_destination="*" eavesdrop="true"/> <allow own="*"/> <allow user="*"/>
    <allow receive_sender="*"/> <allow send_type="method_call"/>
  </policy>"""

# What the machine's packages say, which is what a person has.
AS_PACKAGED = """<policy context="default">
    <allow user="*"/> <deny own="*"/> <deny send_type="method_call"/>
    <allow send_type="signal"/> <allow send_requested_reply="true" send_type="method_return"/>
    <allow send_requested_reply="true" send_type="error"/>
    <allow receive_type="method_call"/> <allow receive_type="method_return"/>
    <allow receive_type="error"/> <allow receive_type="signal"/>
    <allow send_destination="org.freedesktop.DBus"/>
  </policy>
  <includedir>/usr/share/dbus-1/system.d</includedir>"""


def within(namespaces):
    """Runs this program anew in namespaces of its own, once, and then goes on."""
    if os.environ.get("IN_NAMESPACES") != "1":
        os.environ["IN_NAMESPACES"] = "1"
        words = ["unshare", *namespaces, sys.executable, *sys.argv]
        os.execvp("unshare", words)
    run("ip", "link", "set", "lo", "up")


def run(*words):
    return subprocess.run(words, check=True, capture_output=True, text=True).stdout


class Lines:
    """A process that takes and gives lines of JSON."""

    def __init__(self, words, env):
        self.process = subprocess.Popen(
            words,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            env=PLAIN | env,
        )
        self.queue = Queue()
        threading.Thread(target=self.read, daemon=True).start()

    def read(self):
        for line in self.process.stdout:
            self.queue.put(json.loads(line))
        self.queue.put(None)

    def send(self, **words):
        self.process.stdin.write(json.dumps(words) + "\n")
        self.process.stdin.flush()

    def next(self):
        """The next line; none where the process has ended."""
        try:
            return self.queue.get(timeout=PATIENCE_S)
        except Empty:
            raise TimeoutError(f"{self.process.args[0]} says nothing") from None

    def kill(self):
        self.process.kill()
        self.process.wait(timeout=PATIENCE_S)

    def close(self):
        self.process.stdin.close()
        self.process.wait(timeout=PATIENCE_S)


class Bus:
    """A bus daemon of our own."""

    def __init__(self, folder, policy=OPEN):
        socket = Path(folder, "bus")
        config = Path(folder, "bus.conf")
        config.write_text(BUS.format(socket=socket, policy=policy))
        self.env = {"DBUS_SYSTEM_BUS_ADDRESS": f"unix:path={socket}"}
        words = ["dbus-daemon", f"--config-file={config}", "--nofork", "--print-address=1"]
        with Path(folder, "bus.log").open("w") as log:
            self.process = subprocess.Popen(
                words, stdout=subprocess.PIPE, stderr=log, text=True
            )
        # It says where it listens once it does.
        if not self.process.stdout.readline():
            raise RuntimeError(Path(folder, "bus.log").read_text())

    def close(self):
        self.process.terminate()
        self.process.wait(timeout=PATIENCE_S)


class Wifi(Lines):
    """The driver of tests/system/wifi.rs; `words` come before it, such as another person."""

    def __init__(self, programs, env, words=()):
        super().__init__([*words, Path(programs, "examples/wifi")], env)
        self.hello = self.next()

    def __call__(self, do, **words):
        self.send(do=do, **words)
        return self.next()

    def error(self, do, **words):
        """The code with which it fails."""
        return self(do, **words).get("error")


class MadeUp(Lines):
    """The made-up NetworkManager. What it is called with is kept in `calls`."""

    def __init__(self, env):
        super().__init__([PYTHON, ROOT / "tests/system/made_up_manager.py"], env)
        self.calls = []
        self.until_done("start")

    def __call__(self, do, **words):
        self.send(do=do, **words)
        self.until_done(do)

    def until_done(self, what):
        while (line := self.next()) != {"done": what}:
            if line is None:
                raise RuntimeError("the made-up NetworkManager has ended")
            self.calls.append(line)

    def until_called(self, what):
        """Waits until it was called with that; all that it was called with."""
        while not any(it["call"] == what for it in self.calls):
            self.calls.append(self.next())
        calls, self.calls = self.calls, []
        return calls

    def called(self):
        """What it was called with since it was asked last."""
        self("walks", walks=[])
        calls, self.calls = self.calls, []
        return calls
