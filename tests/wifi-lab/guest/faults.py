"""The two ways in which a run can go wrong, told apart by type.

Whatever is raised that is neither counts as the lab's own fault: only a check that did not hold, or
a run of linkmend that did not end, is the product's.
"""

import asyncio
import contextlib


class LabBroke(Exception):
    """The lab itself did not do what it should; nothing is known of the product."""


class ProductFailed(Exception):
    """The program did not do what it should, so that the scenario cannot go on."""


@contextlib.asynccontextmanager
async def within(seconds, what):
    """The outer deadline of a step of the lab's own: past it, the lab broke."""
    try:
        async with asyncio.timeout(seconds) as limit:
            yield
    except TimeoutError:
        if limit.expired():
            raise LabBroke(f"{what}: not within {seconds} s") from None
        raise
