"""A receiver with its network: `mock-device` in a namespace of its own, behind its access point.

The simulated receiver says when its network opens and closes, and nothing else opens or shuts it:
after power-up it waits for its transmitter, after each restart it waits again.
"""

import asyncio
import json
import time

from access_point import AccessPoint
from faults import LabBroke, within
from home import serve_addresses
from notice import Notice
from process import Daemon, inside
from station import Station

ADDRESS = "192.168.77.1"
# What the families of this program's own samples have.
PASSPHRASE = "reeds-and-rushes"
FIRST_GUEST, LAST_GUEST = "192.168.77.10", "192.168.77.50"
# Waits of 40 to 70 s become 2 to 3.5 s.
SPEED = 20
START_LIMIT_S = 60


class Receiver:
    """One of them, powered up as soon as it is made."""

    @classmethod
    async def power_up(
        cls,
        lab,
        label,
        *,
        family="sample-form",
        scenario="locked",
        seed=1,
        name="TarnBoat 07",
        security="wpa2",
        passphrase=PASSPHRASE,
        channel=1,
        speed=SPEED,
        bssid=None,
        hands_out_addresses=True,
        more=(),
        options=(),
        joins=None,
    ):
        """`bssid` is another than its own; `more` goes to hostapd, `options` to `mock-device`.

        `joins`: it has this network stored and joins it: (name, passphrase, own address with prefix).
        """
        self = cls()
        self.label = label
        self.name = name
        self.radio = lab.radios.take()
        self.passphrase = passphrase
        self.point = AccessPoint(
            self.radio,
            label,
            name,
            security=security,
            passphrase=passphrase,
            channel=channel,
            more=more,
        )
        # Each turn of its network: (seconds since the machine started, "open", BSSID) or (…, "closed", why).
        self.turns = []
        # What it was asked and how it restarted: (seconds of the clock, line).
        self.log = []
        self._other_bssid = bssid
        self._events = asyncio.Queue()
        self._notice = Notice()
        self._fault = None
        self._addresses = None
        self._station = None
        self.socket = f"/run/lab/{label}.socket"
        await self.radio.ip("addr", "add", f"{ADDRESS}/24", "dev", self.radio.interface)
        if hands_out_addresses:
            self._addresses = await serve_addresses(self.radio, label, FIRST_GUEST, LAST_GUEST)
        words = ["--family", family, "--scenario", scenario, "--seed", seed, "--speed", speed]
        if joins is None:
            words += ["--listen", f"{ADDRESS}:80"]
        else:
            await self._join(*joins)
            words += ["--listen", "0.0.0.0:80", "--joined", "--advertise"]
            words += ["--advertise-on", self.radio.interface]
        words += ["--listen-anywhere", "--from-cold", "--tell-air"]
        # Its log comes by the same way, so that turns and requests are in their order.
        words += ["--control", self.socket, "--log", "/proc/self/fd/1", *options]
        command = inside(self.radio.namespace, lab.mock_device, *words)
        # Before it starts, since what it says may be heard late.
        self.begun = time.clock_gettime(time.CLOCK_BOOTTIME)
        self._device = await Daemon.start(f"receiver-{label}", *command, on_line=self._hear)
        async with within(START_LIMIT_S, f"{label} introduces itself"):
            await self._device.says('"format"')
        self._following = asyncio.create_task(self._follow())
        return self

    async def _join(self, name, passphrase, address):
        self._station = await Station.join(self.radio, f"{self.label}-ashore", name, passphrase)
        await self.radio.ip("addr", "add", address, "dev", self.radio.interface)

    def _hear(self, line):
        if not line.startswith("{"):
            self.log.append((time.monotonic(), line))
            self._notice.tell()
            return
        event = json.loads(line)
        if "air" in event:
            is_open = event["air"] == "open"
            now = time.clock_gettime(time.CLOCK_BOOTTIME)
            if not self.turns and not is_open:
                # Its first line, which is no turn: it has just been powered up.
                return
            told = event["bssid"] if is_open else event["why"]
            self.turns.append((now, event["air"], told))
            self._events.put_nowait(event)

    async def _follow(self):
        """Opens and shuts its network as it says."""
        try:
            while True:
                event = await self._events.get()
                if event["air"] == "open":
                    await self.point.open(self._other_bssid or event["bssid"])
                else:
                    await self.point.shut()
                self._notice.tell()
        except Exception as fault:
            self._fault = fault
            self._notice.tell()
            raise

    @property
    def bssid(self):
        """Where its network is, or was last."""
        return self.point.bssid

    def openings(self):
        """How often its network opened so far."""
        return len([turn for turn in self.turns if turn[1] == "open"])

    async def opens(self, times=1):
        """Waits until its network has opened so often and is on the air."""
        await self._until(lambda: self.openings() >= times and self.point.is_open)
        return self.bssid

    async def shuts(self, times=1):
        """Waits until its network was closed so often."""
        closed = lambda: len([turn for turn in self.turns if turn[1] == "closed"])  # noqa: E731
        await self._until(lambda: closed() >= times and not self.point.is_open)

    async def asked(self, words, times=1):
        """Waits until it was asked this so often, such as `POST /keep-air`."""
        asked = lambda: [line for _, line in self.log if f": {words}" in line]  # noqa: E731
        await self._until(lambda: len(asked()) >= times)

    async def _until(self, look):
        found = await self._notice.until(lambda: self._fault or look())
        if found is self._fault:
            raise LabBroke(f"{self.label}: {self._fault}") from self._fault

    async def tell(self, command):
        """Sends its control socket a command; gives the answer."""
        async with within(30, f"{self.label}: {command}"):
            reader, writer = await asyncio.open_unix_connection(self.socket, limit=2**24)
            writer.write(command.encode() + b"\n")
            answer = await reader.readline()
            writer.close()
        return json.loads(answer)

    async def truth(self):
        """What is true of it, told beside the wire."""
        world = await self.tell("truth")
        return world["devices"][world["present"]]

    async def requests(self):
        """What it was asked, as it remembers that."""
        return (await self.tell("truth"))["requests"]

    async def is_untouched(self):
        """Whether nothing was written to it."""
        return not any(request["acts"] for request in await self.requests())

    async def close(self, lab):
        self._following.cancel()
        await self._device.stop()
        await self.point.shut()
        if self._addresses is not None:
            await self._addresses.stop()
        if self._station is not None:
            await self._station.leave()
        await lab.radios.give_back(self.radio)
