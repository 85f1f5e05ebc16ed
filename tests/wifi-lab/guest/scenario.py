"""What a scenario is, and how one is run: told apart what failed and what broke.

A scenario is an async function with the mark `@scenario`; its name says what must hold. It gets the
`Lab`, lets things happen, and holds what came of it with `lab.check`. After each, whatever it was,
the laptop must be at home again with nothing more saved than before.
"""

import asyncio
import time
import traceback
from dataclasses import dataclass

from faults import LabBroke, ProductFailed
from laptop import ADAPTER
from report import Checks

# Far above what any of them takes on two slow cores (5 to 40 s).
LIMIT_S = 300
# How long the laptop may take to be at home once the program has ended.
HOME_AGAIN_S = 45

SCENARIOS = []


@dataclass(frozen=True)
class Scenario:
    """One of them."""

    act: object
    # Whether NetworkManager goes home by itself. If not, the program has to see to it.
    autoconnect: bool
    # Whether the program is to have brought the laptop home at the end.
    comes_home: bool

    @property
    def name(self):
        return self.act.__name__.replace("_", "-")


def scenario(autoconnect=False, comes_home=True):
    """Marks a function as a scenario."""

    def mark(act):
        SCENARIOS.append(Scenario(act, autoconnect, comes_home))
        return act

    return mark


async def run(one, lab, report):
    """Runs one and reports its verdict: `passed`, `failed` or `broke`."""
    report.say("begin", scenario=one.name)
    begun = time.monotonic()
    check = Checks(report, one.name)
    why = None
    try:
        async with asyncio.timeout(LIMIT_S), lab.scenario(check):
            await lab.laptop.go_home(one.autoconnect)
            before = await lab.laptop.state()
            try:
                await one.act(lab)
            except ProductFailed as fault:
                check.holds("it can go on", False, fault)
            if one.comes_home:
                await _home_again(lab, check, before)
        await lab.laptop.forget_points()
        verdict = "failed" if check.failed else "passed"
    except LabBroke as fault:
        verdict, why = "broke", str(fault)
    except Exception:
        verdict, why = "broke", traceback.format_exc()
    # What did not hold before the lab broke was seen all the same.
    took = round(time.monotonic() - begun, 1)
    report.say("end", scenario=one.name, verdict=verdict, why=why, took_s=took)
    return verdict


async def _home_again(lab, check, before):
    try:
        await lab.laptop.is_home(HOME_AGAIN_S)
    except LabBroke:
        active = await lab.nm.active_on(ADAPTER)
        check.holds("the laptop is at home again", False, f"{ADAPTER} has {active}")
        return
    check.equal("what is saved on the laptop is as it was", await lab.laptop.state(), before)
    check.equal("the way out is the laptop's own network", await lab.laptop.way_out(), ADAPTER)
