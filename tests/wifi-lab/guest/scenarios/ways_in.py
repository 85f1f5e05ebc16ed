"""How a network is joined: passphrases, open, WPA3, a place that is taken, a stranger's portal."""

from receiver import PASSPHRASE
from scenario import scenario


async def read_lock(lab, *words, linkmend=None):
    """One reading; holds that it tells the lock."""
    said = await (linkmend or lab.linkmend())("read", "--json", *words)
    lab.check.equal("exit code", said.code, 0, said)
    lab.check.equal("the lock", said.value("model-lock"), 7, said)
    return said


@scenario()
async def a_wrong_passphrase_is_told_as_that(lab):
    boat = await lab.receiver(passphrase="bulrushes-in-may")
    await boat.opens()
    wrong = lab.file("wrong", "mud-and-feathers\n")
    words = [*lab.through(), "--passphrase-file"]
    said = await lab.linkmend()("read", "--json", *words, wrong)
    lab.check.equal("exit code", said.code, 6, said)
    lab.check.equal("error", said.error, "wrong-passphrase", said)
    lab.check.holds("it was tried", boat.point.mistaken, said)
    lab.check.holds("it is not told", "mud-and-feathers" not in said.stdout + said.stderr, said)
    right = lab.file("right", "bulrushes-in-may\n")
    await read_lock(lab, *words, right)


@scenario()
async def a_secret_goes_over_an_open_network_only_by_its_name(lab):
    boat = await lab.receiver(security="open", name="TarnBoat 31")
    await boat.opens()
    words = ["unlock", "--yes", "--json", *lab.through(security="open", passphrase="")]
    said = await lab.linkmend()(*words)
    lab.check.equal("without consent: exit code", said.code, 6, said)
    lab.check.holds("without consent: untouched", await boat.is_untouched(), said)
    said = await lab.linkmend()(*words, "--open-network", "TarnBoat 3")
    lab.check.equal("with another's name: exit code", said.code, 6, said)
    lab.check.holds("with another's name: untouched", await boat.is_untouched(), said)
    said = await lab.linkmend()(*words, "--open-network", "TarnBoat 31")
    lab.check.equal("with its name: exit code", said.code, 0, said)
    lab.check.equal("with its name: outcome", said.outcome, "done", said)
    settings = (await boat.truth())["settings"]
    lab.check.equal("the lock", settings["model-lock"], "off", said)


@scenario()
async def a_receiver_behind_wpa3_is_unlocked(lab):
    boat = await lab.receiver(security="wpa3")
    await boat.opens()
    words = ["unlock", "--yes", "--json", *lab.through(security="wpa3")]
    said = await lab.linkmend()(*words)
    lab.check.equal("exit code", said.code, 0, said)
    lab.check.equal("outcome", said.outcome, "done", said)
    settings = (await boat.truth())["settings"]
    lab.check.equal("the lock", settings["model-lock"], "off", said)


@scenario()
async def a_place_that_is_taken_is_told_and_free_again_it_is_read(lab):
    boat = await lab.receiver(more=["max_num_sta=1"])
    await boat.opens()
    phone = await lab.station("phone", boat.name, PASSPHRASE)
    words = lab.through()
    said = await lab.linkmend()("read", "--json", *words)
    lab.check.equal("exit code", said.code, 1, said)
    lab.check.equal("error", said.error, "not-let-in", said)
    lab.check.equal("the phone kept its place", await boat.point.guests_now(), [phone.mac])
    await phone.leave()
    await read_lock(lab, *words)


@scenario()
async def a_receiver_that_gives_no_address_is_read(lab):
    boat = await lab.receiver(hands_out_addresses=False)
    await boat.opens()
    await read_lock(lab, *lab.through())


@scenario()
async def a_portal_that_answers_everything_is_no_receiver(lab):
    portal = await lab.portal("TarnBoat 44", PASSPHRASE)
    said = await lab.linkmend()("unlock", "--yes", "--json", *lab.through())
    lab.check.equal("exit code", said.code, 3, said)
    lab.check.holds("it was joined", portal.point.guests, said)
    posts = [line for line in portal.asked if not line.startswith("GET ")]
    lab.check.equal("it was sent nothing", [line for line in posts if line != "serving"], [])
