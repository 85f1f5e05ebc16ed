"""What a radio can bring that is no use: strange names, adapters that cannot, no service."""

import json
import os

from laptop import ADAPTER
from network_manager import ACTIVATED, DISCONNECTED, UNAVAILABLE
from process import run
from radios import ADAPTERS, block, phy_of
from receiver import PASSPHRASE
from scenario import scenario

OTHER = ADAPTERS[1]
# A name as a stranger may send it: it clears the screen, turns the direction of text, is no UTF-8.
TEETH = b"Tarn\x1b[2J\xff\xe2\x80\xae\x07Boat"
AWAY = "away"


async def refused(lab, wanted, code, *words, env=()):
    """A reading that cannot be: one error of this kind, with this exit code, and a help."""
    said = await lab.linkmend()("read", "--json", "--profile", lab.profile(), *words, env=env)
    lab.check.equal("error", said.error, wanted, said)
    lab.check.equal("exit code", said.code, code, said)
    lab.check.holds("it says what to do", said.json.get("error", {}).get("help"), said)
    return said


@scenario()
async def strange_names_are_listed_with_their_teeth_drawn(lab):
    strange = await lab.point("strange", TEETH, passphrase=PASSPHRASE, channel=6)
    hidden = await lab.point(
        "hidden", "Quiet Reed", passphrase=PASSPHRASE, channel=3, more=["ignore_broadcast_ssid=1"]
    )
    find = ["find", "--all", "--profile", lab.profile()]
    said = await lab.linkmend()(*find, "--json")
    lab.check.equal("exit code: none of them is a receiver", said.code, 3, said)
    person = await lab.linkmend()(*find)
    lab.check.equal("exit code for a person", person.code, 3, person)
    last = json.loads(said.stdout.splitlines()[-1])
    heard = {other["bssid"] for other in last["others"]}
    # The hidden one answers no call for all, so a scan may miss it.
    lab.check.holds("the strange one is listed", strange.bssid in heard, said)
    lab.check.holds("a byte that is no text is shown as such", "\\xff" in person.stdout, person)
    for text in (said.stdout, person.stdout, person.stderr):
        raw = [mark for mark in ("\x1b", "\x07", "\u202e", "\ufffd") if mark in text]
        lab.check.equal("nothing of a name reaches the terminal as it is", raw, [], repr(text))
    shown = said.stdout + person.stdout
    lab.check.holds("the hidden one's name is not made up", "Quiet Reed" not in shown, said)
    lab.check.equal("neither was joined", strange.guests + hidden.guests, [])


@scenario()
async def an_adapter_that_is_unmanaged_is_told(lab):
    await run("nmcli", "device", "set", OTHER, "managed", "no")
    lab.cleanup(managed_again)
    await refused(lab, "adapter-unmanaged", 1, "--adapter", OTHER)


async def managed_again():
    await run("nmcli", "device", "set", OTHER, "managed", "yes")


# NetworkManager takes the block of one radio for the wish to have none, and lets go of the home too.
@scenario(comes_home=False)
async def wifi_that_is_blocked_is_told(lab):
    block(OTHER, True)
    lab.cleanup(unblocked, lab)
    await lab.nm.reaches(OTHER, UNAVAILABLE)
    await refused(lab, "wifi-off", 1, "--adapter", OTHER)


async def unblocked(lab):
    block(OTHER, False)
    await lab.nm.reaches(OTHER, DISCONNECTED)


@scenario()
async def an_adapter_of_another_name_is_told_with_those_there_are(lab):
    said = await refused(lab, "unknown-adapter", 2, "--adapter", "wlan9")
    lab.check.holds("it names those there are", ADAPTER in said.stdout, said)


@scenario()
async def without_a_bus_it_is_told(lab):
    env = {"DBUS_SYSTEM_BUS_ADDRESS": "unix:path=/run/lab/no-bus"}
    await refused(lab, "no-wifi-service", 1, env=env)


@scenario(comes_home=False)
async def without_networkmanager_it_is_told(lab):
    lab.cleanup(lab.laptop.start_network_manager)
    await lab.laptop.stop_network_manager()
    await refused(lab, "no-wifi-service", 1)
    said = await lab.linkmend()("host", "--json")
    lab.check.holds("host names what is missing", "NetworkManager" in said.stdout, said)


@scenario(comes_home=False)
async def without_an_adapter_it_is_told(lab):
    phys = [phy_of(adapter) for adapter in ADAPTERS]
    await run("ip", "netns", "add", AWAY)
    lab.cleanup(adapters_back, lab, phys)
    for phy in phys:
        await run("iw", "phy", phy, "set", "netns", "name", AWAY)
    for adapter in ADAPTERS:
        await lab.nm.gone(adapter)
    await refused(lab, "no-adapter", 1)


async def adapters_back(lab, phys):
    for phy in phys:
        pid = str(os.getpid())
        await run("ip", "netns", "exec", AWAY, "iw", "phy", phy, "set", "netns", pid)
    await run("ip", "netns", "del", AWAY)
    for adapter in ADAPTERS:
        await lab.nm.reaches(adapter, DISCONNECTED, ACTIVATED)
