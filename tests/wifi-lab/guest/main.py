"""The machine's side of the lab: carries out the plan that comes by the port, and reports."""

import asyncio
import sys
import traceback
from pathlib import Path

# What the checks without a radio have as well; what is of one name here comes first.
sys.path.append(str(Path(__file__).parents[2] / "system"))

import bench
import contract
import power_cut
import shelf_bench
from lab import Lab
from report import Report
from scenario import SCENARIOS, run


async def play(lab, report, plan):
    """This machine's share of the scenarios, one after another; ends early once the lab is broken."""
    import scenarios  # noqa: F401

    wanted = plan["only"]
    known = [*SCENARIOS, *contract.scenarios(plan["contracts"])]
    chosen = [one for one in known if not wanted or one.name in wanted]
    unknown = sorted(set(wanted) - {one.name for one in chosen})
    # Those of one subject stand together and take alike long, so they are dealt out in turn.
    number, machines = plan["share"]
    chosen = chosen[number::machines]
    report.say("planned", scenarios=[one.name for one in chosen], unknown=unknown)
    for one in chosen:
        if await run(one, lab, report) == "broke":
            # Whatever follows in the same machine would mean nothing.
            return


async def act(report, plan):
    lab = await Lab.start(plan, report)
    report.say("ready")
    if plan["do"] == "scenarios":
        await play(lab, report, plan)
    elif plan["do"] == "bench":
        await bench.play(lab, report, plan["rounds"])
        await shelf_bench.play(lab, report, plan["shelf_rounds"])
    elif plan["do"] == "power-cut":
        await power_cut.cut(lab, report)
    elif plan["do"] == "power-back":
        await power_cut.back(lab, report)
    else:
        raise ValueError(f"no plan `{plan['do']}`")


def main():
    report = Report()
    plan = report.plan()
    try:
        asyncio.run(act(report, plan))
    except Exception:
        report.say("broke", why=traceback.format_exc())
    report.say("over")


if __name__ == "__main__":
    main()
