"""Joined by hand: the person picks the network, and the host may hop away at any time."""

from laptop import ADAPTER
from process import run
from receiver import PASSPHRASE
from scenario import scenario


async def join_by_hand(lab, boat):
    """What a person does in the system's settings; it stays saved, as such things do."""
    await lab.nm.hears(ADAPTER, boat.bssid, since=boat.turns[-1][0])
    words = ["nmcli", "connection", "add", "type", "wifi", "con-name", boat.label]
    words += ["ifname", ADAPTER, "ssid", boat.name, "802-11-wireless.bssid", boat.bssid]
    words += ["wifi-sec.key-mgmt", "wpa-psk", "wifi-sec.psk", PASSPHRASE]
    words += ["ipv6.method", "disabled", "connection.autoconnect", "no"]
    await run(*words)
    lab.cleanup(run, "nmcli", "connection", "delete", boat.label)
    await pick(boat)


async def pick(boat):
    await run("nmcli", "connection", "up", boat.label)


async def go_home(lab):
    await lab.laptop.go_home(False)


# Slower than the others: by hand the restart is witnessed by the host alone, and that keeps to a
# network for 15 s after it has gone.
SLOW = 2


@scenario(comes_home=False)
async def by_hand_a_receiver_is_unlocked(lab):
    boat = await lab.receiver(speed=SLOW)
    words = ["unlock", "--by-hand", "--profile", lab.profile(speed=SLOW)]
    terminal = await lab.terminal(lab.linkmend(), *words)
    await terminal.shows("TarnBoat")
    await boat.opens()
    await join_by_hand(lab, boat)
    await terminal.shows("[y/N]")
    terminal.types("y\r")
    await boat.shuts()
    await boat.opens(2)
    await lab.nm.hears(ADAPTER, boat.bssid, since=boat.turns[-1][0])
    await pick(boat)
    said = await terminal.end()
    lab.check.equal("exit code", said.code, 0, said)
    settings = (await boat.truth())["settings"]
    lab.check.equal("the lock", settings["model-lock"], "off", said)


@scenario(comes_home=False)
async def by_hand_a_host_that_hops_away_before_the_write_writes_to_nobody_else(lab):
    boat = await lab.receiver("boat")
    other = await lab.receiver("other", channel=6)
    await boat.opens()
    await other.opens()
    await join_by_hand(lab, other)
    await join_by_hand(lab, boat)
    words = ["unlock", "--by-hand", "--profile", lab.profile()]
    terminal = await lab.terminal(lab.linkmend(), *words)
    await terminal.shows("[y/N]")
    # Between the reading and the write the host goes to another one of the same name and address.
    await pick(other)
    terminal.types("y\r")
    said = await terminal.end()
    lab.check.equal("exit code", said.code, 6, said)
    for one in (boat, other):
        lab.check.holds(f"{one.label} is untouched", await one.is_untouched(), said)


@scenario(comes_home=False)
async def by_hand_a_host_that_hops_home_before_the_write_writes_when_it_is_back(lab):
    boat = await lab.receiver("boat")
    await boat.opens()
    await join_by_hand(lab, boat)
    words = ["unlock", "--by-hand", "--profile", lab.profile()]
    terminal = await lab.terminal(lab.linkmend(), *words)
    await terminal.shows("[y/N]")
    await go_home(lab)
    terminal.types("y\r")
    lab.check.holds("nothing is written from home", await boat.is_untouched())
    await terminal.shows("TarnBoat")
    await pick(boat)
    await boat.shuts()
    await boat.opens(2)
    await lab.nm.hears(ADAPTER, boat.bssid, since=boat.turns[-1][0])
    await pick(boat)
    said = await terminal.end()
    lab.check.equal("exit code", said.code, 0, said)
    settings = (await boat.truth())["settings"]
    lab.check.equal("the lock", settings["model-lock"], "off", said)
