"""One receiver from its window to the proof, in the hands of root, of a person, and at a terminal."""

from laptop import ADAPTER
from network_manager import WIRELESS
from scenario import scenario

# NMSettingsConnectionFlags of NetworkManager: gone with what is active.
VOLATILE = 0x4


async def unlocked(lab, boat, run):
    """Sees one unlock through, which was started before the boat's network was open."""
    check = lab.check
    before = await boat.truth()
    connections = await lab.nm.connections()
    own = await adapter_address(lab)
    await boat.opens()
    guest = await run.until("it joins the receiver", boat.point.guest())
    check.equal("the laptop's own adapter joins, under its own address", guest, own)
    more = {uuid: one for uuid, one in (await lab.nm.connections()).items() if uuid not in connections}
    lasting = [name for name, flags, _ in more.values() if not flags & VOLATILE]
    check.equal("what was added to join is not to last", lasting, [])
    check.holds("the way out is never through the receiver", await way_out_is_not_lost(lab))
    await run.until("it saves, so that the receiver restarts", boat.shuts())
    await boat.opens(2)
    said = await run.end()
    check.equal("exit code", said.code, 0, said)
    check.equal("outcome", said.outcome, "done", said)
    proofs = [(line["setting"], line["proof"]) for line in said.json.get("changes", [])]
    check.equal("proof", proofs, [("model-lock", "after-restart")], said)
    after = await boat.truth()
    wanted = before["settings"] | {"model-lock": "off"}
    check.equal("the lock is off and nothing else moved", after["settings"], wanted)
    check.equal("one save", after["saves"], 1, said)
    check.equal("nobody else was let in", set(boat.point.guests), {own})
    return said


async def adapter_address(lab, adapter=ADAPTER):
    """The address that an adapter is born with, in lower case: while it scans it may show others."""
    device = await lab.nm.device(adapter)
    address = await lab.nm.get(device, WIRELESS, "PermHwAddress")
    return address.lower()


async def way_out_is_not_lost(lab):
    """Whether packets for the world leave by no receiver: by the own network, or not at all."""
    point = await lab.nm.bssid_on(ADAPTER)
    way = await lab.laptop.way_out()
    return way is None or point == lab.home.point.bssid


@scenario()
async def a_locked_receiver_is_unlocked_from_its_window_to_the_proof(lab):
    boat = await lab.receiver()
    words = ["unlock", "--yes", "--json", *lab.through()]
    await unlocked(lab, boat, await lab.start_run(lab.linkmend(), *words))


@scenario(autoconnect=True)
async def a_receiver_that_fills_its_page_by_scripts_is_unlocked(lab):
    boat = await lab.receiver(family="sample-script", name="TarnBoat 12")
    # It shows no serial: its BSSID says which one it is.
    words = ["unlock", "--yes", "--json", *lab.through(family="sample-script")]
    await unlocked(lab, boat, await lab.start_run(lab.linkmend(), *words))


@scenario()
async def a_person_who_is_no_administrator_unlocks_at_the_laptop(lab):
    boat = await lab.receiver()
    linkmend = lab.linkmend(lab.at_laptop)
    words = ["unlock", "--yes", "--json", *lab.through()]
    await unlocked(lab, boat, await lab.start_run(linkmend, *words))


@scenario()
async def a_person_from_afar_is_told_what_is_not_permitted(lab):
    boat = await lab.receiver()
    await boat.opens()
    linkmend = lab.linkmend(lab.from_afar)
    said = await linkmend("read", "--json", *lab.through())
    lab.check.equal("exit code", said.code, 1, said)
    lab.check.equal("error", said.error, "not-permitted", said)
    lab.check.equal("nobody was let in", boat.point.guests, [])
    active = await lab.nm.active_on(ADAPTER)
    lab.check.equal("the laptop never left its network", active[0], lab.laptop.home_uuid)


@scenario()
async def a_person_at_a_terminal_sees_the_wait_and_agrees(lab):
    boat = await lab.receiver()
    terminal = await lab.terminal(lab.linkmend(), "unlock", *lab.through())
    await terminal.shows("TarnBoat")
    await boat.opens()
    # The question, with what is there and what is to be.
    await terminal.shows("7")
    await terminal.shows("off")
    await terminal.shows("[y/N]")
    lab.check.holds("nothing is written before the answer", await boat.is_untouched())
    terminal.types("y\r")
    said = await terminal.end()
    lab.check.equal("exit code", said.code, 0, said)
    settings = (await boat.truth())["settings"]
    lab.check.equal("the lock", settings["model-lock"], "off", said)
