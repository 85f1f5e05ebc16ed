"""The machine's D-Bus system bus: calls, properties, and a wake-up at every signal."""

import asyncio

from jeepney import DBusAddress, MatchRule, MessageType, new_method_call
from jeepney.bus_messages import message_bus
from jeepney.io.asyncio import DBusRouter, Proxy, open_dbus_connection

from faults import LabBroke, within
from notice import Notice

ADDRESS = "unix:path=/run/dbus/system_bus_socket"
PROPERTIES = "org.freedesktop.DBus.Properties"
CALL_LIMIT_S = 60


class Refused(Exception):
    """The other side answered with an error."""

    def __init__(self, name, text):
        super().__init__(f"{name}: {text}")
        self.name = name


class Bus:
    """One connection."""

    @classmethod
    async def open(cls):
        self = cls()
        self.notice = Notice()
        self._router = DBusRouter(await open_dbus_connection(ADDRESS))
        rule = MatchRule(type="signal")
        await Proxy(message_bus, self._router).AddMatch(rule)
        self._signals = asyncio.Queue()
        self._router.filter(rule, queue=self._signals).__enter__()
        self._waking = asyncio.create_task(self._wake())
        return self

    async def _wake(self):
        while True:
            await self._signals.get()
            self.notice.tell()

    async def call(self, service, path, interface, method, signature=None, *arguments):
        """Calls a method and gives all that came back."""
        where = DBusAddress(path, bus_name=service, interface=interface)
        message = new_method_call(where, method, signature, arguments)
        async with within(CALL_LIMIT_S, f"the answer to {interface}.{method}"):
            reply = await self._router.send_and_get_reply(message)
        if reply.header.message_type is MessageType.error:
            name = reply.header.fields.get(4, "")
            raise Refused(name, reply.body[0] if reply.body else "")
        return reply.body

    async def get(self, service, path, interface, name):
        """The value of a property."""
        [(_, value)] = await self.call(
            service, path, PROPERTIES, "Get", "ss", interface, name
        )
        return value

    async def has(self, service):
        """Whether anybody has this name."""
        [is_owned] = await self.call(
            "org.freedesktop.DBus",
            "/org/freedesktop/DBus",
            "org.freedesktop.DBus",
            "NameHasOwner",
            "s",
            service,
        )
        return is_owned

    async def lacks(self, service):
        """Whether nobody has this name."""
        return not await self.has(service)

    async def until(self, look, limit_s, what):
        """Waits for `look` to find what it looks for; looks again at every signal."""
        async with within(limit_s, what):
            return await self.notice.until(look)

    async def appears(self, service, daemon):
        """Waits until a daemon has its name on the bus."""
        ended = asyncio.create_task(daemon.process.wait())
        here = asyncio.create_task(self.notice.until(lambda: self.has(service)))
        try:
            async with within(CALL_LIMIT_S, f"{service} on the bus"):
                await asyncio.wait([ended, here], return_when=asyncio.FIRST_COMPLETED)
        finally:
            ended.cancel()
        if not here.done():
            here.cancel()
            raise LabBroke(f"{daemon.name} ended before it was on the bus; see its log")
        here.result()
