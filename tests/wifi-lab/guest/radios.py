"""The simulated radios: two for the laptop, the others each in a network namespace of its own.

They are handed out and taken back, never made anew: a radio that falls back into the laptop's
namespace would at once be an adapter of NetworkManager.
"""

import asyncio
import glob
import os
from dataclasses import dataclass

from faults import LabBroke, within
from process import run

ADAPTERS = ("wlan0", "wlan1")
# Of mac80211_hwsim: the rules of a world that allow 22 channels instead of a hundred, since an
# emulated scan takes its time for each; no adapters for another purpose; and two channels at once,
# with which the radios scan by themselves, as most of today's do, and need not go back to their own
# channel in between.
OPTIONS = ("regtest=5", "support_p2p_device=0", "channels=2")


@dataclass
class Radio:
    """One radio that is not the laptop's."""

    interface: str
    namespace: str
    mac: str

    async def ip(self, *words):
        return await run("ip", "-n", self.namespace, *words)


class Radios:
    """All of them."""

    @classmethod
    async def load(cls, others):
        """Loads the kernel's simulated radios: the laptop's, and so many others."""
        wanted = len(ADAPTERS) + others
        await run("modprobe", "mac80211_hwsim", f"radios={wanted}", *OPTIONS)
        async with within(60, "names of the radios by udev"):
            await run("udevadm", "settle")
        found = glob.glob("/sys/class/net/wlan*")
        if len(found) != wanted:
            raise LabBroke(f"{len(found)} radios instead of {wanted}")
        self = cls()
        self._free = []
        made = (self._put_away(number) for number in range(len(ADAPTERS), wanted))
        self._free.extend(await asyncio.gather(*made))
        return self

    async def _put_away(self, number):
        interface, namespace = f"wlan{number}", f"air{number}"
        with open(f"/sys/class/net/{interface}/phy80211/name") as file:
            phy = file.read().strip()
        with open(f"/sys/class/net/{interface}/address") as file:
            mac = file.read().strip()
        await run("ip", "netns", "add", namespace)
        await run("iw", "phy", phy, "set", "netns", "name", namespace)
        await run("ip", "-n", namespace, "link", "set", "lo", "up")
        # A receiver's server listens before its network is open.
        allow = "echo 1 >/proc/sys/net/ipv4/ip_nonlocal_bind"
        await run("ip", "netns", "exec", namespace, "sh", "-c", allow)
        return Radio(interface, namespace, mac)

    def take(self):
        if not self._free:
            raise LabBroke("no radio is free: load more of them")
        return self._free.pop(0)

    async def give_back(self, radio):
        await radio.ip("link", "set", radio.interface, "down")
        await radio.ip("addr", "flush", "dev", radio.interface)
        await radio.ip("link", "set", radio.interface, "address", radio.mac)
        self._free.append(radio)


def phy_of(adapter):
    """The radio behind an adapter of the laptop."""
    with open(f"/sys/class/net/{adapter}/phy80211/name") as file:
        return file.read().strip()


def block(adapter, blocked):
    """Sets or clears the soft block of an adapter's radio, as a switch of the case would."""
    [switch] = glob.glob(f"/sys/class/net/{adapter}/phy80211/rfkill*/soft")
    with open(switch, "w") as file:
        file.write("1" if blocked else "0")
    return os.path.dirname(switch)
