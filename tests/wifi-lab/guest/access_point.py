"""An access point: hostapd on one of the radios, and the witness of who was let in by it."""

import signal

from control import Control
from faults import LabBroke, within
from notice import Notice
from process import Daemon, inside, run, write

OPEN_LIMIT_S = 60


class AccessPoint:
    """What one radio sends. It can be opened and shut many times."""

    def __init__(self, radio, label, name, *, security="wpa2", passphrase=None, channel=1, more=()):
        """`name` is text or bytes; `more` are further lines of hostapd's settings."""
        self.radio = radio
        self.label = label
        self.name = name if isinstance(name, bytes) else name.encode()
        self.security = security
        self.passphrase = passphrase
        self.channel = channel
        self.more = list(more)
        self.bssid = radio.mac
        # Whoever was let in, in that order, over all times that it was open.
        self.guests = []
        # Whoever came with a wrong passphrase.
        self.mistaken = []
        self._notice = Notice()
        self._daemon = None
        self._control = None

    @property
    def is_open(self):
        return self._daemon is not None

    def _settings(self):
        lines = [
            f"interface={self.radio.interface}",
            "driver=nl80211",
            "ctrl_interface=/run/hostapd",
            f"ssid2={self.name.hex()}",
            "hw_mode=g",
            f"channel={self.channel}",
        ]
        if self.security == "wpa2":
            lines += ["wpa=2", "wpa_key_mgmt=WPA-PSK", "rsn_pairwise=CCMP"]
            lines += [f"wpa_passphrase={self.passphrase}"]
        elif self.security == "wpa3":
            lines += ["wpa=2", "wpa_key_mgmt=SAE", "rsn_pairwise=CCMP", "ieee80211w=2"]
            lines += [f"sae_password={self.passphrase}"]
        elif self.security != "open":
            raise LabBroke(f"no security `{self.security}`")
        return "\n".join([*lines, *self.more, ""])

    async def open(self, bssid=None):
        """Returns once it is on the air, under this BSSID."""
        if self.is_open:
            raise LabBroke(f"{self.label} is open already")
        if bssid is not None and bssid != self.bssid:
            await self.radio.ip("link", "set", self.radio.interface, "address", bssid)
            self.bssid = bssid
        file = write(f"/run/lab/{self.label}.conf", self._settings())
        words = inside(self.radio.namespace, "hostapd", file)
        daemon = await Daemon.start(f"hostapd-{self.label}", *words, on_line=self._hear)
        async with within(OPEN_LIMIT_S, f"{self.label} on the air"):
            await daemon.says("AP-ENABLED")
        self._daemon = daemon
        self._control = await Control.open(f"/run/hostapd/{self.radio.interface}")

    async def shut(self):
        """Gone without a word, as a device that loses its power."""
        if not self.is_open:
            return
        daemon, self._daemon = self._daemon, None
        self._control.close()
        daemon.kill()
        await self.radio.ip("link", "set", self.radio.interface, "down")
        await daemon.stop(signal.SIGKILL)
        await run("rm", "-f", f"/run/hostapd/{self.radio.interface}")

    async def guests_now(self):
        """The stations that hostapd lists now, by their addresses."""
        if not self.is_open:
            return []
        stations, answer = [], await self._control.ask("STA-FIRST")
        while answer.strip() and not answer.startswith("FAIL"):
            stations.append(answer.split()[0])
            answer = await self._control.ask(f"STA-NEXT {stations[-1]}")
        return stations

    async def guest(self, number=1):
        """Waits until so many were let in; gives the last one's address."""
        await self._notice.until(lambda: len(self.guests) >= number)
        return self.guests[number - 1]

    def _hear(self, line):
        for event, those in (
            ("AP-STA-CONNECTED", self.guests),
            ("AP-STA-POSSIBLE-PSK-MISMATCH", self.mistaken),
        ):
            if event in line:
                those.append(line.split(event)[1].split()[0])
                self._notice.tell()
