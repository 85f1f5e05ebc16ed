"""Another client: wpa_supplicant driven directly, on a radio in a namespace of its own.

A stranger who holds a receiver's only place, or a receiver that has joined a stored network.
"""

from faults import within
from process import Daemon, inside, run, write

JOIN_LIMIT_S = 60


class Station:
    """One that has joined a network."""

    @classmethod
    async def join(cls, radio, label, name, passphrase, bssid=None):
        """Returns once it is let in."""
        self = cls()
        self.radio = radio
        settings = write(f"/run/lab/{label}.wpa", network(name, passphrase, bssid))
        words = inside(radio.namespace, "wpa_supplicant", "-i", radio.interface, "-c", settings)
        self._daemon = await Daemon.start(f"station-{label}", *words)
        async with within(JOIN_LIMIT_S, f"{label} joins {name}"):
            await self._daemon.says("CTRL-EVENT-CONNECTED")
        return self

    @property
    def mac(self):
        return self.radio.mac

    async def leave(self):
        """Lets go of it; again, it does nothing."""
        await self._daemon.stop()
        await run("ip", "-n", self.radio.namespace, "link", "set", self.radio.interface, "down")


def network(name, passphrase, bssid=None, frequency_mhz=None):
    """The settings of wpa_supplicant for one network."""
    lines = [f'ssid="{name}"', f'psk="{passphrase}"', "key_mgmt=WPA-PSK"]
    if bssid is not None:
        lines.append(f"bssid={bssid}")
    if frequency_mhz is not None:
        lines += [f"scan_freq={frequency_mhz}", f"freq_list={frequency_mhz}"]
    return "network={\n" + "".join(f"\t{line}\n" for line in lines) + "}\n"
