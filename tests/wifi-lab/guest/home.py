"""The laptop's own network: an access point with a way out, and the connection saved for it."""

from access_point import AccessPoint
from process import Daemon, inside

NAME = "Tarn Clubhouse"
PASSPHRASE = "tea-at-half-past-four"
UUID = "0f5c0f6e-7f7a-4c52-9a70-6c1f0b8d2a11"
ROUTER = "10.20.0.1"
FIRST, LAST = "10.20.0.100", "10.20.0.199"


class Home:
    """The network; it is on the air as long as the machine runs."""

    @classmethod
    async def open(cls, radio):
        self = cls()
        self.radio = radio
        self.point = AccessPoint(radio, "home", NAME, passphrase=PASSPHRASE, channel=11)
        await radio.ip("addr", "add", f"{ROUTER}/24", "dev", radio.interface)
        await self.point.open()
        await serve_addresses(radio, "home", FIRST, LAST)
        return self


def settings(autoconnect):
    """The saved connection, as NetworkManager takes it over D-Bus."""
    return {
        "connection": {
            "id": ("s", NAME),
            "uuid": ("s", UUID),
            "type": ("s", "802-11-wireless"),
            "interface-name": ("s", "wlan0"),
            "autoconnect": ("b", autoconnect),
        },
        "802-11-wireless": {"ssid": ("ay", NAME.encode()), "mode": ("s", "infrastructure")},
        "802-11-wireless-security": {"key-mgmt": ("s", "wpa-psk"), "psk": ("s", PASSPHRASE)},
        "ipv4": {"method": ("s", "auto")},
        "ipv6": {"method": ("s", "disabled")},
    }


async def serve_addresses(radio, label, first, last):
    """A DHCP server on a radio's own network; without its probe for other owners of an address."""
    words = ["dnsmasq", "--keep-in-foreground", "--conf-file=/dev/null", "--port=0", "--no-ping"]
    words += ["--user=root", "--leasefile-ro", "--dhcp-authoritative", "--bind-dynamic"]
    words += ["--pid-file=", "--log-facility=-", f"--interface={radio.interface}"]
    words += ["--except-interface=lo", f"--dhcp-range={first},{last},10m"]
    return await Daemon.start(f"dnsmasq-{label}", *inside(radio.namespace, *words))
