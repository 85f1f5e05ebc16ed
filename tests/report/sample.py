"""Made-up ends of a run over a shelf, as JSON: what the report is drawn from in tests.

    python3 tests/report/sample.py [--compare]       writes shelf.json and hostile.json beside it

`shelf.json` is the shelf of the Tarn Sailing School: 24 loaners through two adapters, three of which
misbehave. `hostile.json` is a small one, in which every text that somebody else chose is meant to do
harm. Both are made without chance, so that the committed files can be compared.
"""

import heapq
import json
import sys
from pathlib import Path

HERE = Path(__file__).resolve().parent

BIRDS = (
    "Heron Smew Teal Coot Grebe Pintail Eider Wigeon Gadwall Shoveler Goosander Garganey Pochard "
    "Scaup Scoter Dipper Bittern Avocet Curlew Dunlin Knot Ruff Sanderling Greenshank"
).split()

# Which of them misbehave, and how; which were right already, and which an earlier run proved.
UNPROVED, PUT_BACK, MISSING = "Coot", "Eider", "Ruff"
RIGHT = {"Gadwall", "Avocet"}
EARLIER = {"Heron"}

WAIT_S, RESTART_S = 52.0, 58.0


def known(value, label=None):
    out = {"state": "known", "value": value}
    return out | {"label": label} if label else out


def secret(fingerprint):
    return {"state": "secret", "fingerprint": fingerprint}


ABSENT = {"state": "absent"}


def change(setting, before, after, proof, why):
    return {"setting": setting, "before": before, "after": after, "proof": proof, "why": why}


def wanted(number, proof, why):
    """What the file names for this loaner, where it is otherwise now."""
    slot = number % 40 + 1
    out = [change("model-lock", known(slot + 3), known(slot), proof, why)]
    if number % 3 == 0:
        out.append(change("local-network", secret("5b0c9e"), ABSENT, proof, why))
    if number % 5 == 1:
        before, after = known("hold", "Hold the last positions"), known("cut", "Cut the outputs")
        out.append(change("failsafe", before, after, proof, why))
    if number % 7 == 2:
        out.append(change("name", known("boat"), known(BIRDS[number]), proof, why))
    return out


class Run:
    """When which loaner is at what, over two adapters: whoever is due first has the next free one."""

    def __init__(self, adapters):
        self.free = {name: 0.0 for name in adapters}
        self.due = []
        self.spans = {}

    def span(self, label, step, begin, end, adapter=None):
        if end > begin:
            one = {"step": step, "from_s": round(begin, 2), "to_s": round(end, 2)}
            self.spans.setdefault(label, []).append(one | ({"adapter": adapter} if adapter else {}))

    def power(self, label, at, session):
        self.span(label, "waiting", at, at + WAIT_S)
        heapq.heappush(self.due, (at + WAIT_S, label, session))

    def play(self):
        while self.due:
            due, label, session = heapq.heappop(self.due)
            adapter = min(self.free, key=lambda name: (max(self.free[name], due), name))
            now = max(self.free[adapter], due)
            self.span(label, "in-range", due, now)
            step_times, then = session
            for step, takes in step_times:
                self.span(label, step, now, now + takes, adapter)
                now += takes
            self.free[adapter] = now
            if then:
                step, takes, after = then
                self.span(label, step, now, now + takes)
                if after:
                    heapq.heappush(self.due, (now + takes, label, after))


def sessions(label):
    first = [("joining", 3.2), ("reading", 2.1)]
    prove = ([("joining", 2.9), ("proving", 2.4)], None)
    if label in RIGHT:
        return (first, None)
    if label == UNPROVED:
        return (first + [("writing", 1.4)], ("restarting", 190.0, None))
    if label == PUT_BACK:
        again = ([("joining", 3.0), ("proving", 2.2), ("putting-back", 3.6)], ("restarting", RESTART_S, prove))
        return (first + [("writing", 1.4)], ("restarting", RESTART_S, again))
    return (first + [("writing", 1.4)], ("restarting", RESTART_S, prove))


def shelf():
    run = Run(["wlan0", "wlan1"])
    powered = [bird for bird in BIRDS if bird != MISSING and bird not in EARLIER]
    for turn, label in enumerate(powered):
        run.power(label, turn // 2 * 15.0 + turn % 2 * 4.0, sessions(label))
    run.play()
    end = max(span["to_s"] for spans in run.spans.values() for span in spans)
    run.span(MISSING, "waiting", 180.0, end)
    return {
        "format": 1,
        "run": 12,
        "command": "reset",
        "title": "Tarn Sailing School, the Saturday shelf",
        "family": "sample-login",
        "began": "2026-11-27T17:42:10Z",
        "took_s": end,
        "adapters": ["wlan0", "wlan1"],
        "loaners": [loaner(number, label, run.spans.get(label, [])) for number, label in enumerate(BIRDS)],
        "strangers": [
            {
                "identity": {"serial": None, "bssid": "02:7a:10:00:00:63", "address": None},
                "name": "TarnBoat 63",
                "signal": 34,
            }
        ],
        "findings": [
            {
                "code": "missing",
                "loaners": [MISSING],
                "text": "`Ruff` was never in range: is it powered, and is its battery charged?",
            },
            {
                "code": "mixed-firmware",
                "loaners": ["Knot", "Sanderling"],
                "text": "`Knot` and `Sanderling` run firmware 2, all others run 3: a transmitter of the other "
                "major version does not drive them",
            },
            {
                "code": "stranger",
                "loaners": [],
                "text": "a receiver that is in no row was in range: `02:7a:10:00:00:63`",
            },
        ],
        "counts": {"all": 24, "as_wanted": 3, "done": 18, "differ": 0, "failed": 1, "unproved": 1, "missing": 1},
        "simulated": True,
    }


def loaner(number, label, spans):
    out = {
        "label": label,
        "identity": {
            "serial": f"TM-{1100 + number * 7}",
            "bssid": f"02:7a:10:00:01:{number + 16:02x}",
            "address": "http://192.168.77.1",
        },
        "transmitter": f"Handset {number % 6 + 1}",
        "result": "done",
        "condition": "healthy",
        "changes": wanted(number, "after-restart", "read after a witnessed restart"),
        "left": ["waveform", "region", "power", "output"],
        "record": 300 + number,
        "change": 120 + number,
        "tries": 1,
        "signal": 38 + number * 37 % 59,
        "spans": spans,
    }
    if label in RIGHT:
        out |= {"result": "as-wanted", "changes": []}
        del out["change"]
    if label in EARLIER:
        out |= {"result": "as-wanted", "changes": [], "earlier": True, "tries": 0}
        out["notes"] = ["proved by run 11, 40 min before this one"]
        del out["change"], out["signal"]
    if label == UNPROVED:
        why = "it did not come back after its restart"
        out |= {"result": "unproved", "condition": "locked", "signal": 31, "tries": 2}
        out["changes"] = wanted(number, "none", why)
        out["error"] = {
            "code": "not-back",
            "message": "it was written, and its network did not open again within 190 s",
            "help": "switch it off and on, keep it near, and run `linkmend resume`",
        }
    if label == PUT_BACK:
        why = "slot 10 was back after the restart"
        out |= {"result": "put-back", "condition": "locked", "tries": 2}
        out["changes"] = wanted(number, "none", why)
        out["notes"] = ["what was there is back, read after a witnessed restart"]
        out["error"] = {
            "code": "did-not-take",
            "message": "the lock that was written was gone after its restart",
            "help": "keep this boat out of the course; its firmware may be at fault",
        }
    if label == MISSING:
        for key in ("condition", "record", "change", "signal"):
            del out[key]
        out |= {"result": "missing", "changes": [], "left": [], "tries": 0}
        out["identity"]["address"] = None
        out["error"] = {
            "code": "never-in-range",
            "message": "its network was not heard while its turn was on",
            "help": "charge its battery, power it alone, and run the shelf again: what is proved stays",
        }
    return out


SCRIPT = "</script><script>alert(1)</script>"
LONG = "Mudflat" * 40


def hostile():
    """Each text that a device or a file may hold tries something."""
    bad = [
        "<img src=x onerror=alert(1)>",
        SCRIPT,
        "\"' onload=\"alert(1)\" x='",
        "gnp.\u202eTeal\u2066\u200f",
        "bell\u0007 esc\u001b[2J nul\u0000 del\u007f c1\u009b",
        LONG,
        "=HYPERLINK(\"http://192.0.2.1\",\"Teal\")",
        "+1+1",
        "-1+1",
        "@SUM(A1)",
        "\t=1+1",
        "\r=1+1",
        "'=1+1",
        "a;=1+1",
        "two\nlines, \"quoted\"",
        "&lt;b&gt; &amp; ]]> <!-- -->",
        "ברווז 7",
        "白鳥",
    ]
    loaners = []
    for number, text in enumerate(bad):
        loaners.append(
            {
                "label": text,
                "identity": {"serial": text, "bssid": f"02:7a:10:00:02:{number:02x}", "address": None},
                "transmitter": text,
                "result": "failed",
                "condition": "unknown",
                "changes": [change("name", known(text, text), known(text), "none", text)],
                "left": [],
                "tries": 1,
                "signal": number * 5,
                "notes": [text],
                "error": {"code": "not-read", "message": text, "help": text},
                "spans": [{"step": "joining", "from_s": number, "to_s": number + 1.5, "adapter": text}],
            }
        )
    return {
        "format": 1,
        "run": 1,
        "command": "check",
        "title": SCRIPT,
        "family": "sample-form",
        "began": "2026-11-27T17:42:10Z",
        "took_s": len(bad) + 1.0,
        "adapters": bad,
        "loaners": loaners,
        "strangers": [
            {
                "identity": {"serial": text, "bssid": None, "address": None},
                "name": text,
                "signal": 50,
            }
            for text in bad
        ],
        "findings": [{"code": "one-identity-twice", "loaners": [text], "text": text} for text in bad],
        "counts": {
            "all": len(bad),
            "as_wanted": 0,
            "done": 0,
            "differ": 0,
            "failed": len(bad),
            "unproved": 0,
            "missing": 0,
        },
        "error": {"code": "stopped", "message": SCRIPT, "help": LONG},
    }


def main():
    fresh = True
    for name, made in (("shelf.json", shelf()), ("hostile.json", hostile())):
        text = json.dumps(made, indent=1) + "\n"
        file = HERE / name
        if "--compare" in sys.argv:
            if file.read_text(encoding="utf-8") != text:
                print(f"{file.name} is not what sample.py makes")
                fresh = False
        else:
            file.write_text(text, encoding="utf-8")
    return 0 if fresh else 1


if __name__ == "__main__":
    sys.exit(main())
