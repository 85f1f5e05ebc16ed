"""The laptop: the real NetworkManager with two adapters, polkit as Debian ships it, and its home.

It is the witness for "the host's network is as it was": what is active, what is saved, and where
packets for the world go.
"""

import os
from dataclasses import dataclass

import home
from bus import Bus
from faults import within
from network_manager import ACTIVATED, DISCONNECTED, SERVICE, NetworkManager
from process import Daemon, run, write
from radios import ADAPTERS

ADAPTER = ADAPTERS[0]
SUPPLICANT = "fi.w1.wpa_supplicant1"
SAVED = ("/etc/NetworkManager/system-connections", "/run/NetworkManager/system-connections")
HOME_LIMIT_S = 90

# Besides what Debian ships: the simulator's own monitor is no network.
DROP_IN = "[keyfile]\nunmanaged-devices=interface-name:hwsim0\n"


@dataclass(frozen=True)
class State:
    """What must be the same before and after."""

    connections: dict
    files: tuple
    autoconnect: bool


class Laptop:
    """All of it."""

    @classmethod
    async def start(cls, home_point):
        self = cls()
        self.home = home_point
        self.home_uuid = home.UUID
        self.autoconnect = None
        bus = await Daemon.start("dbus", "dbus-daemon", "--system", "--nofork", "--print-address=1")
        async with within(60, "the system bus"):
            await bus.says("unix:")
        self.bus = await Bus.open()
        self.nm = NetworkManager(self.bus)
        polkit = await Daemon.start("polkit", "/usr/lib/polkit-1/polkitd", "--no-debug")
        await self.bus.appears("org.freedesktop.PolicyKit1", polkit)
        words = ["wpa_supplicant", "-u", "-O", "/run/wpa_supplicant"]
        supplicant = await Daemon.start("wpa_supplicant", *words)
        await self.bus.appears(SUPPLICANT, supplicant)
        write("/etc/NetworkManager/conf.d/lab.conf", DROP_IN)
        await self.start_network_manager()
        return self

    async def start_network_manager(self):
        self.daemon = await Daemon.start("NetworkManager", "NetworkManager", "--debug")
        await self.bus.appears(SERVICE, self.daemon)
        for adapter in ADAPTERS:
            await self.nm.reaches(adapter, DISCONNECTED, ACTIVATED)

    async def stop_network_manager(self):
        await self.daemon.stop()
        look = lambda: self.bus.lacks(SERVICE)  # noqa: E731
        await self.bus.until(look, 60, "NetworkManager is off the bus")

    async def go_home(self, autoconnect):
        """Sees to it that the own network is saved so, and active."""
        if self.autoconnect is None:
            await self.nm.add(home.settings(autoconnect))
        # Its path is another one after a restart of NetworkManager.
        saved = await self.nm.connection(home.UUID)
        if self.autoconnect not in (None, autoconnect):
            await self.nm.update(saved, home.settings(autoconnect))
        self.autoconnect = autoconnect
        if not await self.nm.is_active(ADAPTER, home.UUID):
            await self.nm.activate(saved, ADAPTER)
        await self.is_home(HOME_LIMIT_S)

    async def is_home(self, limit_s):
        """Waits until the own network is active again, all of it."""
        look = lambda: self.nm.is_active(ADAPTER, home.UUID)  # noqa: E731
        await self.bus.until(look, limit_s, "the own network is active")

    async def state(self):
        """What is saved, and where packets for the world go."""
        names = (name for folder in SAVED if os.path.isdir(folder) for name in os.listdir(folder))
        connections = await self.nm.connections()
        return State(connections, tuple(sorted(names)), self.autoconnect)

    async def way_out(self):
        """The adapter that packets for the world leave by; none where there is no way out."""
        words = (await run("ip", "-4", "route", "get", "1.1.1.1", quiet=True)).split()
        return words[words.index("dev") + 1] if "dev" in words else None

    async def is_quiet(self, adapter):
        """Waits until no scan of an adapter is under way."""

        async def look():
            for path in await self._supplicants():
                name, scans = [await self._of_supplicant(path, word) for word in ("Ifname", "Scanning")]
                if name == adapter:
                    return not scans
            return False

        await self.bus.until(look, 60, f"{adapter} scans no more")

    async def _supplicants(self):
        return await self.bus.get(SUPPLICANT, "/fi/w1/wpa_supplicant1", SUPPLICANT, "Interfaces")

    async def _of_supplicant(self, path, name):
        return await self.bus.get(SUPPLICANT, path, f"{SUPPLICANT}.Interface", name)

    async def forget_points(self):
        """Empties the lists of what was heard, so that one scenario leaves nothing to the next.

        A scan with `flush` empties the kernel's own list, of one channel so that it is short. Its end
        is not waited for: where another scan ends it, `iw` would wait for ever.
        """
        for adapter in ADAPTERS:
            await self.is_quiet(adapter)
            words = ["iw", "dev", adapter, "scan", "trigger", "freq", "2462", "flush"]
            # A scan that has just begun is in its way. What is then still listed is another device
            # than all of the next scenario's.
            told = await run(*words, quiet=True)
            if "command failed" in told:
                print(f"{adapter} does not forget: {told}", flush=True)
        for path in await self._supplicants():
            await self.bus.call(SUPPLICANT, path, f"{SUPPLICANT}.Interface", "FlushBSS", "u", 0)
