"""A whole shelf as a capable person would do it by a script: asyncio, aiohttp and BeautifulSoup.

    python shelf.py LIST.csv [AT-ONCE]

For each receiver of the list: reads its page, sends its form with the lock off, waits until the
receiver is there again after its restart, and reads once more. Without a record, and without a
proof beyond that; a rival for the bench, not a tool.
"""

import asyncio
import csv
import sys

import aiohttp
from bs4 import BeautifulSoup

from page import controls

# Seconds between two looks for a receiver that restarts: short, so that no time is lost.
AGAIN = 0.002
# How long a receiver may be gone, in seconds.
GONE = 120


async def read(session, at):
    async with session.get(at + "/") as answer:
        answer.raise_for_status()
        return BeautifulSoup(await answer.text(), "lxml")


async def read_again(session, at):
    """The page after the restart; while it is gone, connections are reset."""
    async with asyncio.timeout(GONE):
        while True:
            await asyncio.sleep(AGAIN)
            try:
                return await read(session, at)
            except aiohttp.ClientError:
                pass


async def reset(session, loaner):
    at = loaner["at"]
    page = await read(session, at)
    if page.find(id="plate").text.removeprefix("No. ") != loaner["serial"]:
        raise ValueError("another receiver answers")
    form = page.find("form", id="air")
    fields = [(n, "any" if n == "follows" else v) for n, v in controls(form)]
    fields.append(("act", "keep"))
    async with session.post(at + form["action"], data=fields) as answer:
        if answer.status != 200 or "Kept" not in await answer.text():
            raise ValueError(f"not kept: {answer.status}")
    page = await read_again(session, at)
    chosen = page.find("input", attrs={"name": "follows", "checked": True})
    if chosen["value"] != "any":
        raise ValueError("still locked")


async def main():
    with open(sys.argv[1], newline="") as file:
        loaners = list(csv.DictReader(file))
    at_once = int(sys.argv[2]) if len(sys.argv) > 2 else 32
    waiting = iter(loaners)
    done, failed = 0, []

    async def work(session):
        nonlocal done
        for loaner in waiting:
            try:
                await reset(session, loaner)
                done += 1
            except (aiohttp.ClientError, TimeoutError, ValueError) as fault:
                failed.append(f"{loaner['label']}: {fault!r}")

    connector = aiohttp.TCPConnector(limit=at_once, force_close=True)
    wait = aiohttp.ClientTimeout(total=10)
    async with aiohttp.ClientSession(connector=connector, timeout=wait) as session:
        await asyncio.gather(*(work(session) for _ in range(at_once)))
    print(f"{done} of {len(loaners)} done")
    if failed:
        sys.exit("\n".join(failed))


if __name__ == "__main__":
    asyncio.run(main())
