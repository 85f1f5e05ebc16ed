"""What can happen between the first reading and the proof: networks go, come back, and are copied."""

from faults import within
from scenario import scenario


def words(lab, *more, **profile):
    return ["unlock", "--yes", "--json", *lab.through(**profile), *more]


@scenario()
async def a_network_that_goes_during_the_write_is_seen_to_its_end(lab):
    # Its answer never comes, and while it is waited for the power goes.
    boat = await lab.receiver(scenario="stalled-save")
    run = await lab.start_run(lab.linkmend(), *words(lab))
    await run.until("it saves", boat.asked("POST"))
    await boat.tell("power off")
    async with within(60, "its network is gone"):
        await boat.shuts()
    await boat.tell("power on")
    await boat.opens(2)
    said = await run.end()
    truth = await boat.truth()
    lab.check.equal("exit code", said.code, 0, said)
    lab.check.equal("outcome", said.outcome, "done", said)
    lab.check.equal("the lock", truth["settings"]["model-lock"], "off", said)
    lab.check.equal("one save", truth["saves"], 1, said)


@scenario()
async def a_network_that_does_not_come_back_is_told_and_resumed_later(lab):
    boat = await lab.receiver()
    run = await lab.start_run(lab.linkmend(), *words(lab))
    await run.until("it saves, so that the receiver restarts", boat.shuts())
    await boat.tell("power off")
    said = await run.end()
    lab.check.equal("exit code", said.code, 7, said)
    lab.check.equal("outcome", said.outcome, "unproved", said)
    await boat.tell("power on")
    said = await lab.linkmend()("resume", "--yes", "--json")
    outcomes = [change["outcome"] for change in said.json.get("resumed", [])]
    lab.check.equal("what resume says", outcomes, ["done"], said)
    truth = await boat.truth()
    lab.check.equal("the lock", truth["settings"]["model-lock"], "off", said)
    lab.check.equal("one save", truth["saves"], 1, said)


@scenario()
async def a_receiver_with_another_bssid_at_each_start_is_proved_by_its_serial(lab):
    boat = await lab.receiver(options=["--bssid-changes"])
    run = await lab.start_run(lab.linkmend(), *words(lab, bssid="changes"))
    first = await boat.opens()
    await run.until("it saves, so that the receiver restarts", boat.shuts())
    second = await boat.opens(2)
    said = await run.end()
    lab.check.holds("it came back under another", first != second, f"{first} {second}")
    lab.check.equal("exit code", said.code, 0, said)
    lab.check.equal("outcome", said.outcome, "done", said)
    settings = (await boat.truth())["settings"]
    lab.check.equal("the lock", settings["model-lock"], "off", said)


@scenario()
async def a_copycat_is_a_second_one_and_is_never_written_to(lab):
    # The same name, passphrase, address and serial: all but its BSSID.
    boat = await lab.receiver("boat", seed=4711)
    await boat.opens()
    serial = (await boat.truth())["serial"]
    linkmend = lab.linkmend()
    through = lab.through()
    said = await linkmend("read", "--json", *through)
    lab.check.equal("the boat is on record: exit code", said.code, 0, said)
    copy = await lab.receiver("copycat", seed=4711, bssid="02:0c:0b:0c:a7:01", channel=6)
    await copy.opens()
    said = await linkmend("find", "--json", *through)
    for one in (boat, copy):
        lab.check.holds(f"find shows {one.label} by its BSSID", one.bssid in said.stdout, said)
    # The boat goes, and only the copycat is there.
    await boat.tell("power off")
    await boat.shuts()
    named = ["unlock", "--yes", "--json", *through, "--device"]
    said = await linkmend(*named, serial)
    lab.check.holds("alone it is not taken for the boat", said.code in (3, 6), said)
    lab.check.holds("the copycat is untouched", await copy.is_untouched(), said)
    await boat.tell("power on")
    await boat.opens(2)
    said = await linkmend(*named, boat.bssid)
    lab.check.equal("exit code", said.code, 0, said)
    settings = (await boat.truth())["settings"]
    lab.check.equal("the boat's lock", settings["model-lock"], "off", said)
    lab.check.holds("the copycat is still untouched", await copy.is_untouched(), said)


@scenario()
async def a_copycat_that_comes_during_the_restart_proves_nothing(lab):
    boat = await lab.receiver("boat", seed=4712)
    run = await lab.start_run(lab.linkmend(), *words(lab))
    await run.until("it saves, so that the receiver restarts", boat.shuts())
    await boat.tell("power off")
    # It shows the same serial, and that its lock is off.
    copy = await lab.receiver(
        "copycat", seed=4712, scenario="healthy", bssid="02:0c:0b:0c:a7:02", channel=6
    )
    await copy.opens()
    await boat.tell("power on")
    await boat.opens(2)
    said = await run.end()
    settings = (await boat.truth())["settings"]
    lab.check.equal("the boat's lock", settings["model-lock"], "off", said)
    lab.check.holds("the copycat is untouched", await copy.is_untouched(), said)
    if said.outcome == "done":
        own = boat.point.guests
        lab.check.holds("it went back to the boat for its proof", len(own) >= 2, said)
    else:
        lab.check.equal("exit code", said.code, 7, said)
