"""Random tables as Python's csv module writes and reads them, against what `loaners init` makes of them.

    python3 tests/system/tables.py [FOLDER] [--seed N] [--tables N]

FOLDER is that of the built programs; default: target/debug. What Python's reader finds in the text
is what the new shelf must hold, read back by Python's own TOML reader. Where the two disagree the
table is shown, and its seed makes it again.
"""

import argparse
import csv
import io
import random
import subprocess
import sys
import tempfile
import tomllib
from pathlib import Path

from outside import PLAIN, ROOT, Tally

# What a person or a spreadsheet may put into a cell, and what makes a reader of tables stumble.
PIECES = ["Heron", "Smew", "ä", "白鳥", "№ 7", " ", ",", ";", "\t", '"', '""', "'", "=1+1", "<b>", "#", "\\", "-"]

DELIMITERS = [",", ";", "\t"]


def cell(rng, delimiter):
    # A tab is a cell's end or nothing: no label and no setting may hold one.
    pieces = [piece for piece in PIECES if piece != "\t"]
    return "".join(rng.choices(pieces, k=rng.randint(0, 5))).strip()


def table(rng):
    """A table's text, and the delimiter in it."""
    delimiter = rng.choice(DELIMITERS)
    heads = ["label", "serial", "name", "transmitter", "model-lock"]
    rng.shuffle(heads)
    out = io.StringIO()
    plain = rng.random() < 0.2
    writer = csv.writer(
        out,
        delimiter=delimiter,
        lineterminator=rng.choice(["\n", "\r\n", "\r"]),
        **(
            # Quotes that stand for themselves, as programs without a library write them.
            {"quoting": csv.QUOTE_NONE, "quotechar": None}
            if plain
            else {"quoting": rng.choice([csv.QUOTE_MINIMAL, csv.QUOTE_ALL, csv.QUOTE_NONNUMERIC])}
        ),
    )
    writer.writerow(heads)
    for number in range(rng.randint(1, 8)):
        # With quotes that are no quotes a cell can neither begin with one nor hold what parts cells.
        bare = {ord(sign): None for sign in delimiter + "\r\n"}
        free = lambda: cell(rng, delimiter).translate(bare).lstrip('" ') if plain else cell(rng, delimiter)
        row = {
            "label": f"B{number} {free()}".strip(),
            "serial": f"TD-{number}",
            "name": free()[:24].strip(),
            "transmitter": free(),
            "model-lock": rng.choice(["", "off", "unique", number + 1]),
        }
        writer.writerow([row[head] for head in heads])
    mark = rng.choice(["", "\ufeff"])
    return mark + out.getvalue(), delimiter


def expected(text, delimiter):
    """The rows as Python reads them, as a shelf's file holds them."""
    rows = csv.DictReader(io.StringIO(text.lstrip("\ufeff"), newline=""), delimiter=delimiter)
    loaners = []
    for row in rows:
        cells = {head: value.strip() for head, value in row.items() if value.strip()}
        lock = cells.pop("model-lock", None)
        settings = {}
        if lock is not None:
            settings["model-lock"] = int(lock) if lock.isdigit() else lock
        if "name" in cells:
            settings["name"] = cells.pop("name")
        loaners.append(cells | ({"settings": settings} if settings else {}))
    return loaners


def made(program, text, folder):
    """What `loaners init` makes of a table: the rows of the new file, or what it says."""
    rows, shelf = folder / "rows.csv", folder / "shelf.toml"
    rows.write_text(text, encoding="utf-8", newline="")
    shelf.unlink(missing_ok=True)
    said = subprocess.run(
        [program, "loaners", "init", shelf, "--from", rows, "--family", "sample-form"],
        env=PLAIN,
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
    )
    if said.returncode != 0:
        return said.stderr
    with open(shelf, "rb") as file:
        return tomllib.load(file)["loaner"]


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("programs", nargs="?", type=Path, default=ROOT / "target/debug")
    parser.add_argument("--seed", type=int, default=1, help="of the first table")
    parser.add_argument("--tables", type=int, default=150)
    typed = parser.parse_args()
    tally = Tally()
    with tempfile.TemporaryDirectory() as folder:
        folder = Path(folder)
        differ = []
        for seed in range(typed.seed, typed.seed + typed.tables):
            text, delimiter = table(random.Random(seed))
            wanted = expected(text, delimiter)
            got = made(typed.programs / "linkmend", text, folder)
            if got != wanted:
                differ.append(f"seed {seed}: {text!r}\n  by Python   {wanted}\n  by linkmend {got}")
        tally.holds(f"{typed.tables} tables are read as Python reads them", not differ, "\n".join(differ))
        # The comparison can fail: a table that says something else.
        other = made(typed.programs / "linkmend", "label,serial\nHeron,TD-0\n", folder)
        tally.holds("another table is another shelf", other != expected("label,serial\nSmew,TD-0\n", ","), other)
    return tally.close()


if __name__ == "__main__":
    sys.exit(main())
