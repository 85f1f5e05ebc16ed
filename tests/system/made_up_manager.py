"""A made-up NetworkManager on a bus of its own: as much of its D-Bus face as Wi-Fi needs.

It is told by lines of JSON what is in the air and how its next activation ends, and it tells by
lines of JSON what it was called with. Names and numbers are those of NetworkManager's D-Bus
reference. It needs Debian's python3-dbus and python3-gi, and runs in a network namespace in which
each of its adapters is an interface of that name, so that addresses are real ones.
"""

import json
import subprocess
import sys
import time

import dbus
import dbus.mainloop.glib
import dbus.service
from gi.repository import GLib

NM = "org.freedesktop.NetworkManager"
DEVICE = f"{NM}.Device"
WIRELESS = f"{NM}.Device.Wireless"
POINT = f"{NM}.AccessPoint"
ACTIVE = f"{NM}.Connection.Active"
SAVED = f"{NM}.Settings.Connection"
PROPERTIES = "org.freedesktop.DBus.Properties"
MANAGER = "org.freedesktop.DBus.ObjectManager"
ROOT = "/org/freedesktop"
MAIN = f"{ROOT}/NetworkManager"
NOTHING = dbus.ObjectPath("/")

# States of a device.
UNMANAGED, UNAVAILABLE, DISCONNECTED, PREPARE, CONFIG = 10, 20, 30, 40, 50
NEED_AUTH, IP_CONFIG, ACTIVATED, DEACTIVATING, FAILED = 60, 70, 100, 110, 120


def say(**what):
    print(json.dumps(what, default=plain), flush=True)


def plain(value):
    """A D-Bus value as JSON has it."""
    return str(value)


def unpacked(value):
    """The same, bytes as lists."""
    if isinstance(value, dict):
        return {str(name): unpacked(inner) for name, inner in value.items()}
    if isinstance(value, (list, tuple)):
        return [unpacked(inner) for inner in value]
    if isinstance(value, (dbus.Boolean, bool)):
        return bool(value)
    return int(value) if isinstance(value, int) else str(value)


def now():
    """Seconds since this computer started, as an access point has them."""
    return dbus.Int32(int(time.clock_gettime(time.CLOCK_BOOTTIME)))


class Refused(dbus.DBusException):
    """An error by its D-Bus name."""

    def __init__(self, name, text):
        super().__init__(text)
        self._dbus_error_name = name


class Thing(dbus.service.Object):
    """One object with its properties."""

    def __init__(self, service, path, faces):
        self.service, self.path, self.faces = service, path, faces
        super().__init__(service.bus, path)
        service.things[path] = self
        service.root.InterfacesAdded(path, faces)

    @dbus.service.method(PROPERTIES, in_signature="ss", out_signature="v")
    def Get(self, face, name):
        return self.faces[face][name]

    @dbus.service.method(PROPERTIES, in_signature="s", out_signature="a{sv}")
    def GetAll(self, face):
        return self.faces[face]

    @dbus.service.signal(PROPERTIES, signature="sa{sv}as")
    def PropertiesChanged(self, face, changed, gone):
        pass

    def put(self, face, **values):
        self.faces[face].update(values)
        self.PropertiesChanged(face, values, dbus.Array([], signature="s"))

    def remove(self):
        del self.service.things[self.path]
        self.service.root.InterfacesRemoved(self.path, list(self.faces))
        self.remove_from_connection()


class Device(Thing):
    """A Wi-Fi adapter."""

    def __init__(self, service, name, number):
        self.name, self.last_scan = name, 1000
        faces = {
            DEVICE: {
                "Interface": name,
                "DeviceType": dbus.UInt32(2),
                "State": dbus.UInt32(DISCONNECTED),
                "StateReason": dbus.Struct((30, 0), signature="uu"),
                "Managed": True,
                "InterfaceFlags": dbus.UInt32(3),
                "ActiveConnection": NOTHING,
                "HwAddress": f"02:00:00:00:0{number}:00",
                "Dhcp4Config": NOTHING,
                "Autoconnect": True,
            },
            WIRELESS: {
                "AccessPoints": dbus.Array([], signature="o"),
                "ActiveAccessPoint": NOTHING,
                "LastScan": dbus.Int64(self.last_scan),
            },
        }
        super().__init__(service, f"{MAIN}/Devices/{number}", faces)

    @dbus.service.signal(DEVICE, signature="uuu")
    def StateChanged(self, state, before, reason):
        pass

    @dbus.service.method(DEVICE, in_signature="", out_signature="")
    def Disconnect(self):
        say(call="disconnect", adapter=self.name)
        self.put(DEVICE, Autoconnect=False)
        self.service.leave(self, 39)

    @dbus.service.method(WIRELESS, in_signature="a{sv}", out_signature="")
    def RequestScan(self, options):
        say(call="scan", adapter=self.name, options=unpacked(options))
        if self.service.scan_refusals:
            raise Refused(*self.service.scan_refusals.pop(0))
        GLib.timeout_add(30, self.scanned)

    def scanned(self):
        for path in self.faces[WIRELESS]["AccessPoints"]:
            if self.service.things[path].is_on:
                self.service.things[path].put(POINT, LastSeen=now())
        self.last_scan += 1000
        self.put(WIRELESS, LastScan=dbus.Int64(self.last_scan))
        return False

    def step(self, state, reason=0):
        before = int(self.faces[DEVICE]["State"])
        pair = dbus.Struct((state, reason), signature="uu")
        self.put(DEVICE, State=dbus.UInt32(state), StateReason=pair)
        self.StateChanged(state, before, reason)


class Saved(Thing):
    """A saved connection."""

    def __init__(self, service, path, settings, unsaved):
        self.settings = settings
        super().__init__(service, path, {SAVED: {"Unsaved": unsaved}})

    @dbus.service.method(SAVED, in_signature="", out_signature="a{sa{sv}}")
    def GetSettings(self):
        return self.settings

    @dbus.service.method(SAVED, in_signature="", out_signature="")
    def Delete(self):
        name = self.settings["connection"]["id"]
        say(call="delete", id=name)
        if name == "linkmend-going":
            # It goes by itself meanwhile, as what was activated for a while does.
            GLib.idle_add(self.remove)
            gone = f"Object does not exist at path “{self.path}”"
            raise Refused("org.freedesktop.DBus.Error.UnknownMethod", gone)
        self.remove()


class Root(dbus.service.Object):
    """Where everything hangs from."""

    def __init__(self, service):
        self.service = service
        super().__init__(service.bus, ROOT)

    @dbus.service.method(MANAGER, in_signature="", out_signature="a{oa{sa{sv}}}")
    def GetManagedObjects(self):
        return {dbus.ObjectPath(it.path): it.faces for it in self.service.things.values()}

    @dbus.service.signal(MANAGER, signature="oa{sa{sv}}")
    def InterfacesAdded(self, path, faces):
        pass

    @dbus.service.signal(MANAGER, signature="oas")
    def InterfacesRemoved(self, path, faces):
        pass


class Settings(Thing):
    """All saved connections."""

    @dbus.service.method(f"{NM}.Settings", in_signature="s", out_signature="o")
    def GetConnectionByUuid(self, uuid):
        for thing in self.service.things.values():
            if isinstance(thing, Saved) and thing.settings["connection"]["uuid"] == uuid:
                return dbus.ObjectPath(thing.path)
        raise Refused(f"{NM}.Settings.InvalidConnection", "No connection with the UUID was found.")


class Manager(Thing):
    """The service itself."""

    @dbus.service.method(
        NM,
        in_signature="a{sa{sv}}ooa{sv}",
        out_signature="ooa{sv}",
        sender_keyword="sender",
    )
    def AddAndActivateConnection2(self, settings, device, specific, options, sender=None):
        told = unpacked(settings)
        say(call="join", settings=told, specific=str(specific), options=unpacked(options))
        if self.service.join_refusals:
            raise Refused(*self.service.join_refusals.pop(0))
        settings["connection"]["uuid"] = f"00000000-0000-0000-0000-{self.service.next():012}"
        saved = self.service.save(settings, True)
        active = self.service.activate(saved, self.service.things[device], specific)
        return dbus.ObjectPath(saved.path), dbus.ObjectPath(active.path), {}

    @dbus.service.method(NM, in_signature="ooo", out_signature="o")
    def ActivateConnection(self, saved, device, specific):
        saved = self.service.things[saved]
        say(call="activate", id=saved.settings["connection"]["id"])
        active = self.service.activate(saved, self.service.things[device], specific)
        return dbus.ObjectPath(active.path)

    @dbus.service.method(NM, in_signature="o", out_signature="")
    def DeactivateConnection(self, active):
        active = self.service.things.get(active)
        if active is None:
            raise Refused(f"{NM}.ConnectionNotActive", "The connection was not active.")
        say(call="deactivate", id=active.faces[ACTIVE]["Id"])
        self.service.end(active, DEACTIVATING, 39)

    @dbus.service.method(NM, in_signature="", out_signature="a{ss}")
    def GetPermissions(self):
        return self.service.permissions


class Service:
    """All of it, and what it is told."""

    def __init__(self):
        self.bus = dbus.SystemBus()
        self.things, self.count = {}, 0
        self.scan_refusals, self.join_refusals = [], []
        self.walks = []
        names = ["network-control", "wifi.scan", "settings.modify.own", "enable-disable-wifi"]
        self.permissions = {f"{NM}.{name}": "yes" for name in names}
        self.root = Root(self)
        faces = {
            NM: {
                "Version": "1.42.4",
                "WirelessEnabled": True,
                "WirelessHardwareEnabled": True,
                "NetworkingEnabled": True,
            }
        }
        self.manager = Manager(self, MAIN, faces)
        Settings(self, f"{MAIN}/Settings", {f"{NM}.Settings": {"CanModify": True}})
        self.own()

    def own(self):
        self.bus.request_name(NM)

    def next(self):
        self.count += 1
        return self.count

    def device(self, name):
        devices = (it for it in self.things.values() if isinstance(it, Device))
        return next(it for it in devices if it.name == name)

    def save(self, settings, unsaved):
        return Saved(self, f"{MAIN}/Settings/{self.next()}", settings, unsaved)

    def activate(self, saved, device, specific):
        self.leave(device, 60)
        told = saved.settings["connection"]
        faces = {
            ACTIVE: {
                "Id": told["id"],
                "Uuid": told["uuid"],
                "Connection": dbus.ObjectPath(saved.path),
                "State": dbus.UInt32(1),
            }
        }
        active = Thing(self, f"{MAIN}/ActiveConnection/{self.next()}", faces)
        active.device, active.saved, active.specific = device, saved, specific
        device.put(DEVICE, ActiveConnection=dbus.ObjectPath(active.path), Autoconnect=True)
        walk = [PREPARE, CONFIG, IP_CONFIG, "address", ACTIVATED]
        GLib.idle_add(self.go, active, self.walks.pop(0) if self.walks else walk)
        return active

    def go(self, active, walk):
        """Goes the next step of the way that was told, one at a time."""
        device = active.device
        if active.path not in self.things or not walk:
            return False
        step, *walk = walk
        if step == "address":
            self.address(active)
        elif step == "lease":
            options = dbus.Dictionary({"routers": "192.168.77.1"}, signature="sv")
            lease = Thing(self, f"{MAIN}/DHCP4Config/{self.next()}", {f"{NM}.DHCP4Config": {"Options": options}})
            device.put(DEVICE, Dhcp4Config=dbus.ObjectPath(lease.path))
        elif isinstance(step, list) and step[0] == "other":
            device.put(WIRELESS, ActiveAccessPoint=self.point(device, step[1]))
        elif isinstance(step, list):
            self.end(active, *step)
        elif step == "hold":
            return False
        else:
            device.step(step)
            if step == CONFIG:
                device.put(WIRELESS, ActiveAccessPoint=active.specific)
            if step == ACTIVATED:
                active.put(ACTIVE, State=dbus.UInt32(2))
        GLib.timeout_add(5, self.go, active, walk)
        return False

    def address(self, active):
        told = active.saved.settings.get("ipv4", {}).get("address-data")
        own = f"{told[0]['address']}/{told[0]['prefix']}" if told else "192.168.77.30/24"
        subprocess.run(["ip", "address", "add", own, "dev", active.device.name], check=True)

    def leave(self, device, reason):
        path = str(device.faces[DEVICE]["ActiveConnection"])
        if path in self.things:
            self.end(self.things[path], DEACTIVATING, reason)

    def end(self, active, state, reason):
        """An activation ends; what was saved for it alone goes with it."""
        device = active.device
        device.step(state, reason)
        subprocess.run(["ip", "address", "flush", "dev", device.name], check=False)
        device.put(DEVICE, ActiveConnection=NOTHING)
        device.put(WIRELESS, ActiveAccessPoint=NOTHING)
        device.step(DISCONNECTED, reason if state == DEACTIVATING else 0)
        active.put(ACTIVE, State=dbus.UInt32(4))
        active.remove()
        if active.saved.faces[SAVED]["Unsaved"] and active.saved.path in self.things:
            active.saved.remove()

    def point(self, device, bssid):
        for path in device.faces[WIRELESS]["AccessPoints"]:
            if self.things[path].faces[POINT]["HwAddress"] == bssid:
                return path
        return NOTHING

    def told(self, words):
        """Does what one line says."""
        do = words.pop("do")
        if do == "adapter":
            Device(self, words["name"], words["number"])
        elif do == "point":
            device = self.device(words["adapter"])
            faces = {
                POINT: {
                    "Ssid": dbus.ByteArray(bytes.fromhex(words["name"])),
                    "HwAddress": words["bssid"],
                    "Frequency": dbus.UInt32(words.get("frequency", 2412)),
                    "Strength": dbus.Byte(words.get("strength", 60)),
                    "Flags": dbus.UInt32(words.get("flags", 1)),
                    "WpaFlags": dbus.UInt32(0),
                    "RsnFlags": dbus.UInt32(words.get("rsn", 0x188)),
                    "LastSeen": dbus.Int32(7),
                }
            }
            thing = Thing(self, f"{MAIN}/AccessPoint/{self.next()}", faces)
            # Without a word about it, it was heard once and long ago.
            thing.is_on = words.get("on", False)
            if thing.is_on:
                thing.put(POINT, LastSeen=now())
            paths = [*device.faces[WIRELESS]["AccessPoints"], dbus.ObjectPath(thing.path)]
            device.put(WIRELESS, AccessPoints=dbus.Array(paths, signature="o"))
        elif do == "no-point":
            device = self.device(words["adapter"])
            gone = self.point(device, words["bssid"])
            paths = [it for it in device.faces[WIRELESS]["AccessPoints"] if it != gone]
            device.put(WIRELESS, AccessPoints=dbus.Array(paths, signature="o"))
            self.things[gone].remove()
        elif do == "saved":
            connection = {
                "id": words["id"],
                "uuid": words["uuid"],
                "interface-name": words["adapter"],
            }
            saved = self.save({"connection": connection}, words.get("unsaved", False))
            if words.get("active"):
                self.activate(saved, self.device(words["adapter"]), NOTHING)
        elif do == "state":
            device = self.device(words["adapter"])
            device.put(DEVICE, Managed=words["state"] != UNMANAGED)
            device.step(words["state"], words.get("reason", 0))
        elif do == "autoconnect":
            self.device(words["adapter"]).put(DEVICE, Autoconnect=words["is"])
        elif do == "flags":
            self.device(words["adapter"]).put(DEVICE, InterfaceFlags=dbus.UInt32(words["flags"]))
        elif do == "manager":
            self.manager.put(NM, **words)
        elif do == "walks":
            self.walks = words["walks"]
        elif do == "refuse-scan":
            self.scan_refusals = words["errors"]
        elif do == "refuse-join":
            self.join_refusals = words["errors"]
        elif do == "permission":
            self.permissions[words["action"]] = words["answer"]
        elif do == "unplug":
            self.leave(self.device(words["adapter"]), 36)
            self.device(words["adapter"]).remove()
        elif do == "tell":
            actives = [it for it in self.things.values() if ACTIVE in it.faces]
            saved = [it for it in self.things.values() if isinstance(it, Saved)]
            say(
                call="told",
                active=[it.faces[ACTIVE]["Id"] for it in actives],
                saved=[it.settings["connection"]["id"] for it in saved],
            )
        elif do == "vanish":
            self.bus.release_name(NM)
        elif do == "come-back":
            self.own()
        else:
            raise ValueError(do)
        say(done=do)

    def line(self, source, _):
        line = source.readline()
        if not line:
            loop.quit()
            return False
        self.told(json.loads(line))
        return True


dbus.mainloop.glib.DBusGMainLoop(set_as_default=True)
loop = GLib.MainLoop()
service = Service()
# Unbuffered, so that no line waits in a buffer that the loop does not see.
lines = open(sys.stdin.fileno(), "rb", buffering=0)
GLib.io_add_watch(lines, GLib.IO_IN | GLib.IO_HUP, service.line)
say(done="start")
loop.run()
