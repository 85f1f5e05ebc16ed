"""Asks the real NetworkManager to take a connection's settings, in memory alone, and tells what it
says: `taken`, or the name and the text of its error.

The settings come as JSON on stdin, bytes as lists, as the made-up NetworkManager tells them. It
needs Debian's python3-dbus.
"""

import json
import sys

import dbus

NM = "org.freedesktop.NetworkManager"
# `NM_SETTINGS_ADD_CONNECTION2_FLAG_IN_MEMORY`.
IN_MEMORY = dbus.UInt32(0x2)


def address(entry):
    prefix = dbus.UInt32(entry["prefix"])
    return dbus.Dictionary({"address": entry["address"], "prefix": prefix}, signature="sv")


# What D-Bus types JSON does not show.
TYPED = {
    "ssid": lambda value: dbus.ByteArray(bytes(value)),
    "bssid": lambda value: dbus.ByteArray(bytes(value)),
    "channel": dbus.UInt32,
    "powersave": dbus.UInt32,
    "dad-timeout": dbus.Int32,
    "address-data": lambda value: dbus.Array(map(address, value), signature="a{sv}"),
    "permissions": lambda value: dbus.Array(value, signature="s"),
}

told = json.load(sys.stdin)
settings = {
    group: {name: TYPED.get(name, lambda it: it)(value) for name, value in values.items()}
    for group, values in told.items()
}
everything = dbus.SystemBus().get_object(NM, "/org/freedesktop/NetworkManager/Settings")
try:
    everything.AddConnection2(
        settings,
        IN_MEMORY,
        dbus.Dictionary({}, signature="sv"),
        dbus_interface=f"{NM}.Settings",
    )
    print("taken")
except dbus.DBusException as error:
    print(error.get_dbus_name(), error.get_dbus_message())
