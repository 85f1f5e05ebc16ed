"""Waiting for a file, woken by the kernel (inotify(7)) and not by the clock."""

import asyncio
import ctypes
import os

CLOSE_WRITE = 0x8
CREATE = 0x100
NONBLOCK = os.O_NONBLOCK


async def holds(path, line):
    """Waits until a file that exists holds this line."""

    def look():
        with open(path) as file:
            return line in file.read().splitlines()

    await _until(look, path, CLOSE_WRITE)


async def appears(path):
    """Waits until there is something of this name in a folder that exists."""
    await _until(lambda: os.path.lexists(path), os.path.dirname(path), CREATE)


async def _until(look, path, events):
    """Looks again whenever one of these events happens at a path."""
    libc = ctypes.CDLL(None, use_errno=True)
    descriptor = libc.inotify_init1(NONBLOCK)
    if descriptor < 0 or libc.inotify_add_watch(descriptor, os.fsencode(path), events) < 0:
        raise OSError(ctypes.get_errno(), "inotify", path)
    loop = asyncio.get_running_loop()
    changed = asyncio.Event()

    def read():
        os.read(descriptor, 4096)
        changed.set()

    loop.add_reader(descriptor, read)
    try:
        while True:
            changed.clear()
            if look():
                return
            await changed.wait()
    finally:
        loop.remove_reader(descriptor)
        os.close(descriptor)
