"""Receivers at hand become rows of a shelf's file over Wi-Fi, against a made-up NetworkManager: none
that stands there already is joined again, and none is taken by guess.

    python3 tests/system/shelf_over_dbus.py [FOLDER]    of the built programs; default: target/debug

As root. No radio is needed: see way_over_dbus.py.
"""

import sys
import tomllib
from pathlib import Path

from cable import BOAT, FIRST, SECOND, is_home, stage
from way_over_dbus import joined

EMPTY = """format = 1
title = "Tarn loaners"
family = "sample-form"
[[loaner]]
label = "Eider"
serial = "TD-00001"
"""


def rows(file):
    """The rows of a file: label, serial and BSSID."""
    table = tomllib.loads(file.read_text())
    return [(it["label"], it.get("serial"), it.get("bssid")) for it in table["loaner"]]


def one_after_another(tally, manager, linkmend, receiver, file):
    """`init` without a table, at a terminal."""
    serial = receiver.truth()["serial"]
    manager.called()
    words = ["loaners", "init", str(file), "--family", "sample-form"]
    terminal = linkmend.at_terminal(*words)
    terminal.answers("Power the first one, alone.", "for help]", keys="1\r")
    terminal.answers("What stands on its sticker?", keys="Heron\r")
    terminal.sees("added `Heron`")
    tally.equal("the first one has a row at once", rows(file)[0][:2], ("Heron", serial), terminal.text)
    # Both are powered now; the one behind the second network shows the same serial.
    manager("point", adapter="wlan0", name=BOAT, bssid=SECOND, on=True)
    terminal.answers("1 taken in. Power the next one", "for help]", keys="1\r")
    terminal.sees("stands on the shelf already")
    terminal.answers("1 taken in. Power the next one", "for help]", keys="\x1b")
    tally.equal("Escape ends it well", terminal.ends(), 0, terminal.text)
    tally.equal("the first is not joined again", joined(manager), [FIRST, SECOND], terminal.text)
    tally.equal("the file has the one row", len(rows(file)), 1, terminal.text)
    tally.equal("nothing was written to it", receiver.truth()["saves"], 0, terminal.text)
    is_home(tally, "init", manager)
    manager("no-point", adapter="wlan0", bssid=SECOND)


def one_more(tally, manager, linkmend, receiver, made, folder):
    """`add`, by scripts."""
    before = made.read_text()
    words = ["loaners", "add", str(made), "--label", "Smew", "--json", "--wait", "2"]
    said = linkmend(*words)
    found = (said.code, said.json.get("error", {}).get("code"))
    tally.equal("one that stands there is not meant", found, (3, "no-network"), said)
    tally.holds("and that is said", "no other network" in said.json["error"]["message"], said)
    tally.equal("nor joined", joined(manager), [], said)
    tally.equal("the file is as it was", made.read_text(), before, said)

    other = folder / "other.toml"
    other.write_text(EMPTY)
    manager("point", adapter="wlan0", name=BOAT, bssid=SECOND, on=True, strength=90)
    words[2] = str(other)
    said = linkmend(*words)
    found = (said.code, said.json.get("error", {}).get("code"))
    tally.equal("none of several is taken by guess", found, (6, "several-devices"), said)
    tally.equal("and none is joined", joined(manager), [], said)
    manager("no-point", adapter="wlan0", bssid=SECOND)
    said = linkmend(*words)
    serial = receiver.truth()["serial"]
    tally.equal("one alone is", (said.code, said.json.get("label")), (0, "Smew"), said)
    tally.equal("with its marks", [it[:2] for it in rows(other)][1:], [("Smew", serial)], said)
    tally.holds("below what stood there", other.read_text().startswith(EMPTY), said)
    is_home(tally, "add", manager)


def main():
    with stage() as (tally, manager, linkmend, receiver, _, folder):
        manager("point", adapter="wlan0", name=BOAT, bssid=FIRST, on=True)
        folder = Path(folder)
        made = folder / "tarn.toml"
        one_after_another(tally, manager, linkmend, receiver, made)
        one_more(tally, manager, linkmend, receiver, made, folder)
    return tally.close()


if __name__ == "__main__":
    sys.exit(main())
