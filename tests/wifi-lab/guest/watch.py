"""Waiting for a file to hold a line, woken by the kernel (inotify(7)) and not by the clock."""

import asyncio
import ctypes
import os

CLOSE_WRITE = 0x8
NONBLOCK = os.O_NONBLOCK


async def holds(path, line):
    """Waits until a file that exists holds this line."""
    libc = ctypes.CDLL(None, use_errno=True)
    descriptor = libc.inotify_init1(NONBLOCK)
    if descriptor < 0 or libc.inotify_add_watch(descriptor, os.fsencode(path), CLOSE_WRITE) < 0:
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
            with open(path) as file:
                if line in file.read().splitlines():
                    return
            await changed.wait()
    finally:
        loop.remove_reader(descriptor)
        os.close(descriptor)
