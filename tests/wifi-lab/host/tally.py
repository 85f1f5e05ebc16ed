"""What became of the scenarios: what held, what failed, and what broke the lab.

Guards against both mistakes: a failure of the product that is tried until it passes, and a broken
lab that is told as one.
"""


import threading


class Tally:
    """Counts, and shows everything about what did not hold. Several machines may tell it at once."""

    def __init__(self):
        self.passed = 0
        self.failed = 0
        self.broken = 0
        # Of each scenario that is under way.
        self._held = {}
        self._lock = threading.Lock()

    @property
    def known(self):
        """Whether anything became known of the product."""
        return self.passed + self.failed > 0

    def take(self, line):
        """One line of a machine."""
        with self._lock:
            if line["event"] == "begin":
                self._held[line["scenario"]] = 0
            elif line["event"] == "check":
                self._check(line)
            elif line["event"] == "end":
                self._end(line)
            elif line["event"] == "broke":
                self.broke(line["why"])

    def _check(self, line):
        if line["held"]:
            self._held[line["scenario"]] = self._held.get(line["scenario"], 0) + 1
        else:
            about = f"{line['scenario']}: did not hold: {line['what']}"
            print(f"        {about}\n{indent(line['said'])}", flush=True)

    def _end(self, line):
        held = self._held.pop(line["scenario"], 0)
        about = f"{line['scenario']}  ({held} checks, {line['took_s']} s)"
        if line["verdict"] == "passed" and held == 0:
            line = line | {"verdict": "failed"}
            about += ": it checked nothing"
        if line["verdict"] == "passed":
            self.passed += 1
            print(f"ok      {about}", flush=True)
        elif line["verdict"] == "failed":
            self.failed += 1
            print(f"FAILED  {about}", flush=True)
        else:
            print(f"broke   {about}\n{indent(line['why'])}", flush=True)

    def broke(self, why):
        """The machine as a whole did."""
        print(f"broke   the lab: {why.strip()}", flush=True)

    def again(self, names):
        print(f"again   the lab broke; once more: {', '.join(names) or 'all'}", flush=True)

    def unknown(self, name):
        """The lab broke twice over this."""
        self.broken += 1
        print(f"BROKEN  {name}: nothing is known of it", flush=True)

    def close(self):
        """The closing line, and the exit code: 1 where the product failed, 3 where the lab did."""
        told = f"{self.passed} passed, {self.failed} failed"
        if self.broken:
            told += f", {self.broken} not known since the lab broke"
        print(told, flush=True)
        if self.failed:
            return 1
        return 0 if self.passed and not self.broken else 3


def indent(text):
    return "\n".join(f"        | {line}" for line in str(text).rstrip().splitlines())
