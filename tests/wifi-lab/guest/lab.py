"""What a scenario has in its hands: the laptop, the radios, and what it makes of them.

All that a scenario makes is closed when it is over, in whatever way, so that each begins alike.
"""

import contextlib
import os
import shutil

import profiles
from access_point import AccessPoint
from faults import within
from home import Home
from laptop import ADAPTER, Laptop
from linkmend import Linkmend
from person import ROOT, make_persons, open_session
from portal import Portal
from process import write
from radios import Radios
from receiver import SPEED, Receiver
from station import Station
from terminal import Terminal

# The home, a shelf of six receivers, and a stranger.
OTHER_RADIOS = 8
START_LIMIT_S = 240
CLOSE_LIMIT_S = 60


class Lab:
    """The whole of it, once a boot."""

    @classmethod
    async def start(cls, plan, report):
        self = cls()
        self.report = report
        self.check = None
        self.linkmend_program = plan["linkmend"]
        self.mock_device = plan["mock_device"]
        self.contract_program = plan["contract"]
        self._profiles = plan["profiles"]
        self._stack = None
        self._number = 0
        self._receivers = 1
        os.makedirs("/run/lab", mode=0o755, exist_ok=True)
        async with within(START_LIMIT_S, "the start of the lab"):
            open_session()
            self.at_laptop, self.from_afar = await make_persons()
            self.radios = await Radios.load(OTHER_RADIOS)
            report.say("step", what="radios")
            self.home = await Home.open(self.radios.take())
            report.say("step", what="own network")
            self.laptop = await Laptop.start(self.home)
            report.say("step", what="laptop")
        self.nm = self.laptop.nm
        return self

    @contextlib.asynccontextmanager
    async def scenario(self, check):
        """Everything made in here is closed at its end."""
        self.check = check
        self._number += 1
        self._receivers = 1
        async with contextlib.AsyncExitStack() as stack:
            self._stack = stack
            yield

    async def receiver(self, label="receiver", **kind):
        """Powers up a receiver; see `Receiver.power_up`."""
        # Another seed is another device: a later scenario never meets what an earlier one has left.
        kind = {"seed": 100 * self._number + self._receivers} | kind
        self._receivers += 1
        receiver = await Receiver.power_up(self, f"{label}-{self._number}", **kind)
        self._stack.push_async_callback(self._close, receiver)
        return receiver

    async def portal(self, name, passphrase):
        """A network with a captive portal; see `Portal.open`."""
        portal = await Portal.open(self, f"portal-{self._number}", name, passphrase)
        self._stack.push_async_callback(self._close, portal)
        return portal

    async def point(self, label, name, **kind):
        """An access point with nothing behind it; see `AccessPoint`."""
        radio = self.radios.take()
        self._stack.push_async_callback(self.radios.give_back, radio)
        point = AccessPoint(radio, f"{label}-{self._number}", name, **kind)
        self._stack.push_async_callback(point.shut)
        await point.open()
        return point

    async def station(self, label, name, passphrase, bssid=None):
        """Another client that has joined a network; see `Station.join`."""
        radio = self.radios.take()
        self._stack.push_async_callback(self.radios.give_back, radio)
        unlike = f"{label}-{self._number}"
        station = await Station.join(radio, unlike, name, passphrase, bssid)
        self._stack.push_async_callback(station.leave)
        return station

    async def _close(self, thing):
        async with within(CLOSE_LIMIT_S, "a thing of the scenario is put away"):
            await thing.close(self)

    def linkmend(self, person=ROOT, data="data"):
        """The program with a data folder of this scenario's own."""
        folder = f"/run/lab/{data}-{self._number}"
        os.makedirs(folder, mode=0o700, exist_ok=True)
        if person is not ROOT:
            shutil.chown(folder, person.name, person.name)
        return Linkmend(self.linkmend_program, folder, person)

    async def terminal(self, linkmend, *words, env=()):
        """A run of the program at a terminal."""
        terminal = await Terminal.start(linkmend, *words, env=env)
        self._stack.callback(terminal.kill)
        return terminal

    async def start_run(self, linkmend, *words, env=()):
        """A run that goes on beside the scenario, and ends with it at the latest."""
        run = await linkmend.start(*words, env=env)
        self._stack.push_async_callback(run.stop)
        return run

    def cleanup(self, act, *arguments):
        """Something to be put right again at the scenario's end."""
        self._stack.push_async_callback(act, *arguments)

    def file(self, name, text, person=ROOT):
        """A file of the scenario's own, which only its person can read; gives its path."""
        path = write(f"/run/lab/{self._number}-{name}", text)
        if person is not ROOT:
            shutil.chown(path, person.name, person.name)
        return path

    def through(self, adapter=ADAPTER, **kind):
        """Options for a run by a family's profile (see `profile`) through one adapter.

        Through the first one unless told otherwise, so that the laptop has a network to come back to.
        """
        return ["--profile", self.profile(**kind), "--adapter", adapter]

    def profile(self, family="sample-form", speed=SPEED, **changes):
        """A family's own profile with its waits as short as those of receivers of that speed.

        `changes` are those of `profiles.changed`.
        """
        with open(f"{self._profiles}/{family}.toml") as file:
            text = profiles.changed(file.read(), speed, **changes)
        path = write(f"/run/lab/{self._number}-{family}-{len(changes)}.toml", text)
        os.chmod(path, 0o644)
        return path
