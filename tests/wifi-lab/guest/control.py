"""The control interface that hostapd and wpa_supplicant share: a datagram out, one back.

Source: hostapd/ctrl_iface.h and wpa_ctrl.h of hostap 2.10, from memory; `<N>` begins an event.
"""

import asyncio
import itertools
import os
import socket

from faults import within

_numbers = itertools.count()


class Control(asyncio.DatagramProtocol):
    """One connection to a daemon's socket."""

    @classmethod
    async def open(cls, path):
        loop = asyncio.get_running_loop()
        own = f"/run/lab/control-{next(_numbers)}"
        both = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_NONBLOCK)
        both.bind(own)
        both.connect(path)
        _, self = await loop.create_datagram_endpoint(lambda: cls(own), sock=both)
        return self

    def __init__(self, own):
        self._own = own
        self._replies = asyncio.Queue()
        self._lock = asyncio.Lock()
        self.events = asyncio.Queue()

    def connection_made(self, transport):
        self._transport = transport

    def datagram_received(self, data, _):
        text = data.decode(errors="replace")
        if text.startswith("<"):
            self.events.put_nowait(text.split(">", 1)[1])
        else:
            self._replies.put_nowait(text)

    async def ask(self, command):
        """Sends a command and waits for its answer."""
        async with self._lock, within(30, f"the answer to `{command.split()[0]}`"):
            self._transport.sendto(command.encode())
            return await self._replies.get()

    async def attach(self):
        """From now on events come in."""
        await self.ask("ATTACH")

    async def event(self, *words):
        """Waits for an event that begins with one of these."""
        while True:
            event = await self.events.get()
            if event.startswith(words):
                return event

    def close(self):
        self._transport.close()
        os.unlink(self._own)
