"""What the lab asks of NetworkManager: the witness of the laptop's own state.

Values are those of NetworkManager's D-Bus API 1.42 (nm-dbus-interface.h).
"""

from dataclasses import dataclass

from bus import Refused

SERVICE = "org.freedesktop.NetworkManager"
ROOT = "/org/freedesktop/NetworkManager"
SETTINGS = f"{ROOT}/Settings"
WIRELESS = f"{SERVICE}.Device.Wireless"
ACTIVE = f"{SERVICE}.Connection.Active"
NOWHERE = "/"

UNAVAILABLE, DISCONNECTED, ACTIVATED = 20, 30, 100
ACTIVE_ACTIVATED = 2


@dataclass(frozen=True)
class Heard:
    """An access point as NetworkManager lists it."""

    path: str
    name: bytes
    # Seconds since the machine started.
    seen_s: int


class NetworkManager:
    """The real one, over the bus."""

    def __init__(self, bus):
        self.bus = bus

    async def call(self, path, interface, method, signature=None, *arguments):
        return await self.bus.call(SERVICE, path, interface, method, signature, *arguments)

    async def get(self, path, interface, name):
        return await self.bus.get(SERVICE, path, interface, name)

    async def device(self, adapter):
        """The path of an adapter; none where it does not know it."""
        try:
            [path] = await self.call(ROOT, SERVICE, "GetDeviceByIpIface", "s", adapter)
        except Refused:
            return None
        return path

    async def state(self, adapter):
        """The state of an adapter; none where it is not there."""
        path = await self.device(adapter)
        return path and await self.get(path, f"{SERVICE}.Device", "State")

    async def goes_on(self, adapter):
        """Whether an adapter goes on to a saved connection by itself."""
        return await self.get(await self.device(adapter), f"{SERVICE}.Device", "Autoconnect")

    async def reaches(self, adapter, *states, limit_s=60):
        """Waits until an adapter is in one of these states."""

        async def look():
            return await self.state(adapter) in states

        await self.bus.until(look, limit_s, f"{adapter} in state {states}")

    async def gone(self, adapter, limit_s=60):
        """Waits until an adapter is not there any more."""

        async def look():
            return await self.device(adapter) is None

        await self.bus.until(look, limit_s, f"{adapter} is gone")

    async def active_on(self, adapter):
        """What is active on an adapter: (uuid, name, state); none where nothing is."""
        path = await self.device(adapter)
        active = await self.get(path, f"{SERVICE}.Device", "ActiveConnection")
        if active == NOWHERE:
            return None
        try:
            names = ("Uuid", "Id", "State")
            return tuple([await self.get(active, ACTIVE, name) for name in names])
        except Refused:
            # It went between the two questions.
            return None

    async def is_active(self, adapter, uuid):
        """Whether this connection, and all of it, is active on an adapter."""
        active = await self.active_on(adapter)
        return active is not None and active[0] == uuid and active[2] == ACTIVE_ACTIVATED

    async def bssid_on(self, adapter):
        """The access point that an adapter is at, in lower case; none where it is at none."""
        path = await self.device(adapter)
        point = await self.get(path, WIRELESS, "ActiveAccessPoint")
        if point == NOWHERE:
            return None
        address = await self.get(point, f"{SERVICE}.AccessPoint", "HwAddress")
        return address.lower()

    async def connections(self):
        """All saved and unsaved connections: {uuid: (name, flags, file)}."""
        [paths] = await self.call(SETTINGS, f"{SERVICE}.Settings", "ListConnections")
        found = {}
        for path in paths:
            interface = f"{SERVICE}.Settings.Connection"
            try:
                [settings] = await self.call(path, interface, "GetSettings")
                flags = await self.get(path, interface, "Flags")
                file = await self.get(path, interface, "Filename")
            except Refused:
                continue
            connection = settings["connection"]
            found[connection["uuid"][1]] = (connection["id"][1], flags, file)
        return found

    async def connection(self, uuid):
        """The path of a connection."""
        [path] = await self.call(
            SETTINGS, f"{SERVICE}.Settings", "GetConnectionByUuid", "s", uuid
        )
        return path

    async def add(self, settings):
        """Saves a connection and gives its path."""
        [path] = await self.call(
            SETTINGS, f"{SERVICE}.Settings", "AddConnection", "a{sa{sv}}", settings
        )
        return path

    async def update(self, path, settings):
        """Saves a connection anew, whole."""
        interface = f"{SERVICE}.Settings.Connection"
        await self.call(path, interface, "Update", "a{sa{sv}}", settings)

    async def delete(self, path):
        await self.call(path, f"{SERVICE}.Settings.Connection", "Delete")

    async def activate(self, connection, adapter, point=NOWHERE):
        """Begins to activate a connection; gives the path of what is to be active."""
        device = await self.device(adapter)
        [active] = await self.call(
            ROOT, SERVICE, "ActivateConnection", "ooo", connection, device, point
        )
        return active

    async def disconnect(self, adapter):
        """Lets go of whatever is active on an adapter."""
        path = await self.device(adapter)
        await self.call(path, f"{SERVICE}.Device", "Disconnect")

    async def points(self, adapter):
        """The access points that an adapter has heard: {bssid in lower case: Heard}."""
        path = await self.device(adapter)
        [paths] = await self.call(path, WIRELESS, "GetAllAccessPoints")
        found = {}
        for point in paths:
            interface = f"{SERVICE}.AccessPoint"
            try:
                names = ("HwAddress", "Ssid", "LastSeen")
                address, name, seen = [await self.get(point, interface, word) for word in names]
            except Refused:
                continue
            found[address.lower()] = Heard(point, bytes(name), seen)
        return found

    async def scans(self, adapter, limit_s=60):
        """Waits until an adapter scans, which the supplicant alone says."""
        service = "fi.w1.wpa_supplicant1"
        words = (service, "/fi/w1/wpa_supplicant1", service, "GetInterface", "s", adapter)
        [path] = await self.bus.call(*words)

        async def look():
            return await self.bus.get(service, path, f"{service}.Interface", "Scanning")

        await self.bus.until(look, limit_s, f"{adapter} scans")

    async def hears(self, adapter, bssid, since=0, limit_s=60):
        """Scans until an access point is heard; gives its path.

        `since` is in seconds since the machine started: the kernel and wpa_supplicant go on to list
        what was heard within the last minute.
        """
        scanned = None

        async def look():
            nonlocal scanned
            heard = (await self.points(adapter)).get(bssid)
            if heard is not None and heard.seen_s > since:
                return heard.path
            path = await self.device(adapter)
            last = await self.get(path, WIRELESS, "LastScan")
            if last != scanned:
                # The one asked for is over, and did not hear it.
                try:
                    await self.call(path, WIRELESS, "RequestScan", "a{sv}", {})
                    scanned = last
                except Refused:
                    # One is under way: its end is a signal.
                    pass
            return None

        return await self.bus.until(look, limit_s, f"{adapter} hears {bssid}")
