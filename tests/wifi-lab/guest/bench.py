"""How fast a receiver is read, from "known from the scan" to "all settings read".

Four ways in turn, through one adapter, one receiver after another: linkmend; what a handy person's
script does; NetworkManager asked for the same by the same calls; and the radio alone. All are timed
by one witness: when the receiver was asked for its settings the last time, as it says itself.
"""

import os
import time

import watch
from control import Control
from faults import within
from network_manager import DISCONNECTED, ROOT, SERVICE
from process import Daemon, run, write
from radios import ADAPTERS
from receiver import ADDRESS, PASSPHRASE

ADAPTER = ADAPTERS[1]
OWN = "192.168.77.2"
CHANNELS = (1, 6, 11)
PAGE = f"http://{ADDRESS}/"
SOCKETS = "/run/lab/bench"


class Bench:
    """The receivers and the ways."""

    def __init__(self, lab, boats, profile):
        self.lab = lab
        self.boats = boats
        self.profile = profile
        self.linkmend = lab.linkmend()

    async def with_linkmend(self, boat):
        words = ["read", "--json", "--profile", self.profile, "--adapter", ADAPTER]
        said = await self.linkmend(*words, "--device", boat.bssid)
        if said.code != 0:
            raise RuntimeError(f"linkmend does not read it: {said}")

    async def with_script(self, boat):
        join = f"nmcli device wifi connect '{boat.name}' password '{PASSPHRASE}' ifname {ADAPTER}"
        await run("sh", "-c", f"{join} >/dev/null && curl -sf {PAGE} >/dev/null")

    async def after_script(self, boat):
        await run("nmcli", "connection", "delete", boat.name)

    async def with_network_manager(self, boat):
        nm = self.lab.nm
        point = (await nm.points(ADAPTER))[boat.bssid].path
        settings = joining(boat)
        options = {"persist": ("s", "volatile"), "bind-activation": ("s", "dbus-client")}
        device = await nm.device(ADAPTER)
        words = ("AddAndActivateConnection2", "a{sa{sv}}ooa{sv}", settings, device, point, options)
        await nm.call(ROOT, SERVICE, *words)
        uuid = settings["connection"]["uuid"][1]
        look = lambda: nm.is_active(ADAPTER, uuid)  # noqa: E731
        await nm.bus.until(look, 60, "it is joined")
        await run("curl", "-sf", PAGE)

    async def after_network_manager(self, _):
        await self.lab.nm.disconnect(ADAPTER)

    async def before_radio(self, boat):
        await run("nmcli", "device", "set", ADAPTER, "managed", "no")
        settings = write("/run/lab/bench.wpa", f"ctrl_interface={SOCKETS}\n")
        os.makedirs(SOCKETS, exist_ok=True)
        words = ["wpa_supplicant", "-i", ADAPTER, "-c", settings]
        self.supplicant = await Daemon.start("bench-supplicant", *words)
        await run("ip", "address", "add", f"{OWN}/24", "dev", ADAPTER)
        socket = f"{SOCKETS}/{ADAPTER}"
        async with within(60, "the supplicant's control socket"):
            await watch.appears(socket)
        self.control = await Control.open(socket)
        await self.control.attach()
        number = (await self.control.ask("ADD_NETWORK")).strip()
        frequency = 2407 + 5 * boat.point.channel
        values = {"ssid": f'"{boat.name}"', "psk": f'"{PASSPHRASE}"', "bssid": boat.bssid}
        values |= {"scan_freq": frequency, "freq_list": frequency}
        for name, value in values.items():
            await self.control.ask(f"SET_NETWORK {number} {name} {value}")
        self.number = number

    async def with_radio(self, _):
        await self.control.ask(f"SELECT_NETWORK {self.number}")
        await self.control.event("CTRL-EVENT-CONNECTED")
        await run("curl", "-sf", PAGE)

    async def after_radio(self, _):
        self.control.close()
        await self.supplicant.stop()
        await run("ip", "address", "flush", "dev", ADAPTER)
        await run("nmcli", "device", "set", ADAPTER, "managed", "yes")

    async def time(self, way, boat):
        """Seconds from the start of a way to the last request of its reading."""
        await self.lab.nm.reaches(ADAPTER, DISCONNECTED)
        await self.lab.nm.hears(ADAPTER, boat.bssid, since=time.clock_gettime(time.CLOCK_BOOTTIME) - 20)
        await self.lab.laptop.is_quiet(ADAPTER)
        before = getattr(self, f"before_{way}", None)
        if before is not None:
            await before(boat)
        begun = time.monotonic()
        await getattr(self, f"with_{way}")(boat)
        ended = time.monotonic()
        asked = [at for at, line in boat.log if at >= begun and ": GET " in line]
        after = getattr(self, f"after_{way}", None)
        if after is not None:
            await after(boat)
        return {"read_s": asked[-1] - begun, "ended_s": ended - begun}


WAYS = ("linkmend", "script", "network_manager", "radio")


async def play(lab, report, rounds):
    """Reports each time as it is taken."""
    await lab.laptop.go_home(True)
    async with lab.scenario(None):
        boats = [
            await lab.receiver(f"boat{n}", name=f"TarnBoat {n + 21}", channel=channel)
            for n, channel in enumerate(CHANNELS)
        ]
        for boat in boats:
            await boat.opens()
        bench = Bench(lab, boats, lab.profile())
        for number in range(rounds):
            for way in WAYS:
                boat = boats[number % len(boats)]
                report.say("time", way=way, round=number, **await bench.time(way, boat))


def joining(boat):
    """The connection that linkmend makes too: that very receiver, static, and not to stay."""
    security = {"key-mgmt": ("s", "wpa-psk"), "psk": ("s", PASSPHRASE)}
    address = {"address": ("s", OWN), "prefix": ("u", 24)}
    return {
        "connection": {
            "id": ("s", "bench"),
            "uuid": ("s", f"5c2e8a3e-0000-4000-8000-{time.monotonic_ns() % 16**12:012x}"),
            "type": ("s", "802-11-wireless"),
            "interface-name": ("s", ADAPTER),
            "autoconnect": ("b", False),
        },
        "802-11-wireless": {
            "ssid": ("ay", boat.name.encode()),
            "mode": ("s", "infrastructure"),
            "bssid": ("ay", bytes.fromhex(boat.bssid.replace(":", ""))),
            "band": ("s", "bg"),
            "channel": ("u", boat.point.channel),
            "assigned-mac-address": ("s", "permanent"),
        },
        "802-11-wireless-security": security,
        "ipv4": {
            "method": ("s", "manual"),
            "address-data": ("aa{sv}", [address]),
            "never-default": ("b", True),
            "dad-timeout": ("i", 0),
        },
        "ipv6": {"method": ("s", "disabled")},
    }
