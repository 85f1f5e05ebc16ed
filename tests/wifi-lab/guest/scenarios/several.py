"""Several receivers that look alike: only the one that is meant is written to."""

from laptop import ADAPTER
from radios import ADAPTERS
from scenario import scenario
from scenarios.whole_way import adapter_address

CHANNELS = (1, 6, 11, 3)


async def fleet(lab, count):
    """So many receivers of one name, one passphrase and one address, with their networks open."""
    boats = [await lab.receiver(f"boat{n}", channel=CHANNELS[n]) for n in range(count)]
    for boat in boats:
        await boat.opens()
    return boats


@scenario()
async def of_four_alike_the_one_that_is_named_is_unlocked(lab):
    boats = await fleet(lab, 4)
    meant = boats[2]
    serial = (await meant.truth())["serial"]
    words = ["unlock", "--yes", "--json", *lab.through(), "--device", serial]
    said = await lab.linkmend()(*words)
    lab.check.equal("exit code", said.code, 0, said)
    lab.check.equal("outcome", said.outcome, "done", said)
    identity = said.json.get("device", {}).get("identity", {})
    lab.check.equal("its serial", identity.get("serial"), serial, said)
    lab.check.equal("its BSSID", identity.get("bssid"), meant.bssid, said)
    truth = await meant.truth()
    lab.check.equal("the lock", truth["settings"]["model-lock"], "off", said)
    for boat in boats:
        if boat is not meant:
            lab.check.holds(f"{boat.label} is untouched", await boat.is_untouched(), said)


@scenario()
async def of_two_alike_a_script_chooses_none(lab):
    boats = await fleet(lab, 2)
    said = await lab.linkmend()("unlock", "--yes", "--json", *lab.through())
    lab.check.equal("exit code", said.code, 6, said)
    for boat in boats:
        lab.check.equal(f"nobody was let in at {boat.label}", boat.point.guests, [])


@scenario()
async def two_adapters_at_once_reach_two_receivers_at_one_address(lab):
    boats = await fleet(lab, 2)
    profile = lab.profile()
    runs = []
    for adapter, boat in zip(ADAPTERS, boats, strict=True):
        words = ["unlock", "--yes", "--json", "--profile", profile]
        words += ["--adapter", adapter, "--device", boat.bssid]
        runs.append(await lab.start_run(lab.linkmend(data=adapter), *words))
    for adapter, boat, run in zip(ADAPTERS, boats, runs, strict=True):
        said = await run.end()
        lab.check.equal(f"{adapter}: exit code", said.code, 0, said)
        lab.check.equal(f"{adapter}: outcome", said.outcome, "done", said)
        truth = await boat.truth()
        identity = said.json.get("device", {}).get("identity", {})
        lab.check.equal(f"{adapter}: it is that one", identity.get("serial"), truth["serial"], said)
        lab.check.equal(f"{adapter}: the lock", truth["settings"]["model-lock"], "off", said)
        lab.check.equal(f"{adapter}: one save", truth["saves"], 1)
        own = await adapter_address(lab, adapter)
        lab.check.equal(f"{adapter}: nobody else was let in", set(boat.point.guests), {own})
    active = await lab.nm.active_on(ADAPTERS[1])
    lab.check.equal("the second adapter is free again, as it was", active, None)


@scenario()
async def find_lists_those_of_one_name_apart(lab):
    boats = await fleet(lab, 2)
    said = await lab.linkmend()("find", "--json", *lab.through())
    lab.check.equal("exit code", said.code, 0, said)
    for boat in boats:
        lab.check.holds(f"{boat.bssid} is listed", boat.bssid in said.stdout, said)
        lab.check.equal(f"nobody was let in at {boat.label}", boat.point.guests, [])
    active = await lab.nm.active_on(ADAPTER)
    lab.check.equal("the laptop never left its network", active[0], lab.laptop.home_uuid)
