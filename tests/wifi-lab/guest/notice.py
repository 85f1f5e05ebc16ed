"""Waiting for something to become true, woken by events and never by the clock."""

import asyncio
import inspect


class Notice:
    """Whoever waits looks again each time that something is told."""

    def __init__(self):
        self._waiting = set()

    def tell(self):
        for future in self._waiting:
            if not future.done():
                future.set_result(None)

    async def until(self, look):
        """Gives the first true answer of `look`, a function or one to be awaited."""
        while True:
            # Listened for before the look, so that what comes during it is not missed.
            future = asyncio.get_running_loop().create_future()
            self._waiting.add(future)
            try:
                found = look()
                if inspect.isawaitable(found):
                    found = await found
                if found:
                    return found
                await future
            finally:
                self._waiting.discard(future)
