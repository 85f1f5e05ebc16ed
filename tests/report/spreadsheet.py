"""The CSV of the report as others read it: by the grammar of RFC 4180, and by Python's csv module.

    python3 tests/report/spreadsheet.py [PROGRAM]       default: target/debug/examples/report

Holds of the sample shelf and of the hostile one: the bytes follow RFC 4180; Python reads what the data
says; and whatever separator a spreadsheet was told, with quotes or without, no cell begins as a formula
(the characters are those of OWASP, "CSV Injection").
"""

import csv
import io
import json
import re
import subprocess
import sys
import unicodedata
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent / "system"))

from outside import ROOT, Tally  # noqa: E402

# RFC 4180, section 2: record, field, escaped, non-escaped. Text beyond ASCII is as RFC 7111 has it.
FIELD = r'(?:"(?:[^"]|"")*"|[^",\r\n]*)'
FILE = re.compile(rf"(?:{FIELD}(?:,{FIELD})*\r\n)+")

FORMULA = "=+-@\t\r\uff1d\uff0b\uff0d\uff20"


def shown(text):
    """What acts on a screen is written out, by Unicode's categories; a line end stays."""
    acting = ("Cc", "Cf", "Zl", "Zp")
    return "".join(
        f"\\u{{{ord(c):x}}}" if unicodedata.category(c) in acting and c != "\n" else c for c in text
    )


def without_guard(cell):
    """Takes the apostrophes away again, as the documentation says."""
    return re.sub(r"(^|[,;\n])'(?=[\s\"']*[=+\-@\uff1d\uff0b\uff0d\uff20])", r"\1", cell)


def runs(cell):
    return cell.lstrip("\" \n\u00a0").startswith(tuple(FORMULA))


def check(tally, name, text, out):
    tally.holds(f"{name}: begins with a byte order mark", text.startswith("\ufeff"), text[:20])
    text = text.removeprefix("\ufeff")
    tally.holds(f"{name}: follows the grammar of RFC 4180", FILE.fullmatch(text) is not None, text)
    rows = list(csv.DictReader(io.StringIO(text, newline=""), strict=True))
    tally.equal(f"{name}: a row a loaner", len(rows), len(out["loaners"]))
    for row, loaner in zip(rows, out["loaners"]):
        label = loaner["label"]
        tally.holds(f"{name}: {label[:20]!r}: as many cells as the head", None not in row, row)
        said = {key: without_guard(cell) for key, cell in row.items()}
        wanted = {
            "label": label,
            "serial": loaner["identity"]["serial"],
            "bssid": loaner["identity"]["bssid"],
            "transmitter": loaner["transmitter"],
            "notes": "\n".join(loaner.get("notes", [])),
            "left as they are": ", ".join(loaner["left"]),
            "why": loaner.get("error", {}).get("message", ""),
        }
        for change in loaner["changes"]:
            value = change["after"].get("value")
            if isinstance(value, str) and "label" not in change["after"] and value == value.strip():
                # Within a value a line end is no line end of ours.
                value = value.replace("\n", "\\u{a}")
                wanted[f"{change['setting']} wanted"] = value
        for key, text_wanted in wanted.items():
            tally.equal(f"{name}: {label[:20]!r}: {key}", said[key], shown(text_wanted))
    for separator in ",;\t":
        for quoting in (csv.QUOTE_MINIMAL, csv.QUOTE_NONE):
            read = csv.reader(io.StringIO(text, newline=""), delimiter=separator, quoting=quoting)
            cells = [cell for row in read for cell in row]
            bad = [cell for cell in cells if runs(cell)]
            tally.equal(f"{name}: nothing runs at {separator!r}, quoting {quoting}", bad, [])
            tally.holds(f"{name}: there are cells at {separator!r}", len(cells) >= len(rows), cells)


def main():
    program = Path(sys.argv[1]) if len(sys.argv) > 1 else ROOT / "target/debug/examples/report"
    tally = Tally()
    tally.holds("a cell that runs is seen", runs("=1") and runs(" \"@x") and not runs("'=1"), "")
    tally.holds("a cell in bare quotes is no RFC 4180", not FILE.fullmatch('a"b\r\n'), "")
    for name in ("shelf", "hostile"):
        file = HERE / f"{name}.json"
        made = subprocess.run([program, "csv", file], check=True, capture_output=True)
        check(tally, name, made.stdout.decode("utf-8"), json.loads(file.read_text(encoding="utf-8")))
    return tally.close()


if __name__ == "__main__":
    sys.exit(main())
