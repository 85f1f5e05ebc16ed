"""The manual as groff formats it, page by page: without a warning, within 80 columns.

    python3 tests/system/man_page.py [FOLDER]       of the built programs; default: target/debug

Needs groff (Debian: groff-base).
"""

import subprocess
import sys
import tempfile
from pathlib import Path

from outside import PLAIN, ROOT, Tally


def main():
    programs = Path(sys.argv[1]) if len(sys.argv) > 1 else ROOT / "target/debug"
    tally = Tally()
    with tempfile.TemporaryDirectory() as folder:
        subprocess.run(
            [programs / "linkmend", "man", folder], env=PLAIN, check=True, stdout=subprocess.DEVNULL
        )
        pages = sorted(Path(folder).iterdir())
        tally.holds(f"{len(pages)} pages", len(pages) > 10, pages)
        for page in pages:
            shown = subprocess.run(
                ["groff", "-man", "-ww", "-Tutf8", "-P-c", "-rLL=78n", page],
                env=PLAIN | {"LC_ALL": "C.UTF-8"},
                capture_output=True,
                text=True,
            )
            tally.equal(f"{page.name} without a warning", (shown.returncode, shown.stderr), (0, ""))
            plain = strip_overstrikes(shown.stdout)
            longest = max(map(len, plain.splitlines()))
            tally.holds(f"{page.name} within 80 columns: {longest}", longest <= 80, plain)
            tally.holds(f"{page.name} shows an example", "linkmend" in plain.split("Example")[-1])
    return tally.close()


def strip_overstrikes(text):
    """Bold is a character over itself, and underlined one over a line."""
    out = []
    for character in text:
        if character == "\b":
            out.pop()
        else:
            out.append(character)
    return "".join(out)


if __name__ == "__main__":
    sys.exit(main())
