"""The speed table, from one boot: medians of all rounds, with what was to be reached beside them."""

import statistics
import sys
import time

from host.machine import LabBroke
from host.tally import indent

LIMIT_S = 3000
SILENCE_S = 900

WAYS = {
    "linkmend": "`linkmend read`",
    "script": "a script: `nmcli device wifi connect NAME`, DHCP, curl",
    "network_manager": "the same D-Bus calls, static address, one curl",
    "radio": "wpa_supplicant driven directly, known channel, static address, curl",
}

SHELF_WAYS = {
    "shelf_one": "`linkmend loaners reset`, one adapter",
    "shelf_two": "the same, two adapters",
    "shelf_script": "a loop of nmcli and curl, one adapter, without record and without identity",
}


def run(lab, rounds, shelf_rounds):
    """Prints the tables; gives the exit code."""
    times = {way: [] for way in WAYS}
    shelf = {way: [] for way in SHELF_WAYS}
    plan = {"do": "bench", "rounds": rounds, "shelf_rounds": shelf_rounds}
    try:
        with lab.boot("bench", plan) as machine:
            for line in machine.lines(SILENCE_S, time.monotonic() + LIMIT_S):
                if line["event"] == "time" and line["way"] in shelf:
                    shelf[line["way"]].append(line["took_s"])
                    print(f"{line['way']:16} {line['took_s']:6.2f} s", file=sys.stderr, flush=True)
                elif line["event"] == "time":
                    times[line["way"]].append((line["read_s"], line["ended_s"]))
                    print(f"{line['way']:16} {line['read_s']:6.2f} s", file=sys.stderr, flush=True)
                elif line["event"] == "broke":
                    raise LabBroke(line["why"])
    except LabBroke as fault:
        print(f"broke   the bench: {indent(fault).lstrip()}", flush=True)
        return 3
    short = [len(measured) < rounds for measured in times.values()]
    short += [len(measured) < shelf_rounds for measured in shelf.values()]
    if any(short):
        print("broke   the bench: not all rounds were measured", flush=True)
        return 3
    if rounds:
        print(table(times, rounds), flush=True)
    if shelf_rounds:
        print(shelf_table(shelf, shelf_rounds), flush=True)
    return 0


def measured(head, ways, times):
    """The median of each way, and the lines of a table of them."""
    median = {way: statistics.median(taken) for way, taken in times.items()}
    lines = [f"| {head} | median | from, to |", "| --- | --- | --- |"]
    for way, words in ways.items():
        ends = f"{min(times[way]):.2f} to {max(times[way]):.2f} s"
        lines.append(f"| {words} | {median[way]:.2f} s | {ends} |")
    return median, lines


def shelf_table(shelf, rounds):
    """The table of a whole shelf."""
    head = f"six receivers, restarts of 8 to 11 s, {rounds} rounds"
    median, lines = measured(head, SHELF_WAYS, shelf)
    one, two = median["shelf_one"], median["shelf_two"]
    lines += [
        "",
        "| to reach | reached |",
        "| --- | --- |",
        f"| two adapters at least 1.8 times as fast as one | {one / two:.2f} × |",
        f"| one adapter at most half of the loop's time | {one / median['shelf_script']:.2f} × |",
    ]
    return "\n".join(["", *lines])


def table(times, rounds):
    """The tables of DEVELOPERS.md."""
    read = {way: [pair[0] for pair in measured] for way, measured in times.items()}
    median, lines = measured(f"from known to read, {rounds} rounds", WAYS, read)
    ours, floor = median["linkmend"], median["network_manager"]
    above = ours - median["radio"]
    of_it = floor - median["radio"]
    lines += [
        "",
        "| to reach | reached |",
        "| --- | --- |",
        f"| at most half of the script's median | {ours / median['script']:.2f} × |",
        f"| within 1.1 × the same calls and one curl | {ours / floor:.2f} × |",
        f"| above the radio's floor | {above:.2f} s, of which {of_it:.2f} s is NetworkManager |",
    ]
    return "\n".join(lines)
