"""The lab's own honesty: receivers in it behave as those in the field, and the witnesses see."""

import time

from receiver import PASSPHRASE, SPEED
from scenario import scenario

# Of the family `sample-form`: seconds from its start to its network, see mock-device/FAMILIES.md.
SHORTEST_WAIT_S = 40


@scenario()
async def a_receiver_opens_its_network_only_after_its_wait_and_again_after_each_restart(lab):
    boat = await lab.receiver()
    lab.check.holds("not at once", not boat.point.is_open)
    await boat.opens()
    lab.check.holds("after its wait", waited(boat.begun, boat.turns[0]), boat.turns)
    await boat.tell("power off")
    await boat.shuts()
    powered = time.clock_gettime(time.CLOCK_BOOTTIME)
    await boat.tell("power on")
    await boat.opens(2)
    lab.check.equal("its turns", [turn[1] for turn in boat.turns], ["open", "closed", "open"])
    lab.check.holds("after its wait again", waited(powered, boat.turns[-1]), boat.turns)


@scenario()
async def a_receiver_never_opens_its_network_while_its_transmitter_is_on(lab):
    boat = await lab.receiver()
    await boat.tell("transmitter on")
    # Another one of the same wait, powered later, opens: the first would have by then.
    other = await lab.receiver("other", channel=6)
    await other.opens()
    second = await lab.receiver("third", channel=11)
    await second.opens()
    lab.check.equal("its network stays shut", boat.turns, [])
    await boat.tell("transmitter off")
    await boat.opens()
    await boat.tell("transmitter on")
    await boat.shuts()
    lab.check.equal("it shuts again", boat.turns[-1][2], "transmitter")


@scenario()
async def the_witnesses_see_who_joins(lab):
    boat = await lab.receiver()
    await boat.opens()
    phone = await lab.station("phone", boat.name, PASSPHRASE)
    lab.check.equal("hostapd lists it", await boat.point.guests_now(), [phone.mac])
    lab.check.equal("and its history has it", boat.point.guests, [phone.mac])
    opened = boat.turns[0][0]
    await lab.nm.hears("wlan1", boat.bssid, since=opened)
    lab.check.holds("the laptop hears it", True)


def waited(start, turn):
    """Whether at least the shortest wait lies between."""
    return turn[0] - start >= SHORTEST_WAIT_S / SPEED
