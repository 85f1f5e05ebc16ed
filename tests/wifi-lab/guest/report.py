"""What leaves the machine: lines of JSON through a serial port of its own."""

import json
import time

PORT = "/dev/virtio-ports/linkmend.lab"


class Report:
    """The port. The first line that comes in by it is the plan."""

    def __init__(self, path=PORT):
        self._port = open(path, "r+b", buffering=0)

    def plan(self):
        return json.loads(self._port.readline())

    def say(self, event, **more):
        line = {"event": event, "at_s": round(time.monotonic(), 2), **more}
        left = json.dumps(line).encode() + b"\n"
        # The port takes as much as it has room for.
        while left:
            left = left[self._port.write(left) or 0 :]


class Checks:
    """What held and what did not in one scenario. One that does not hold does not end it."""

    def __init__(self, report, scenario):
        self._report = report
        self._scenario = scenario
        self.failed = 0

    def equal(self, what, found, wanted, said=""):
        """Holds where both are equal. `said` is shown where they are not."""
        return self.holds(what, found == wanted, f"found  {found}\nwanted {wanted}\n{said}")

    def holds(self, what, truth, said=""):
        if not truth:
            self.failed += 1
        told = {} if truth else {"said": str(said)}
        self._report.say("check", scenario=self._scenario, what=what, held=bool(truth), **told)
        return bool(truth)
