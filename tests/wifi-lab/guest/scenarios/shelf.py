"""A whole shelf in one go, with every adapter that is free."""

import shelf
from laptop import ADAPTER
from network_manager import DISCONNECTED
from radios import ADAPTERS
from scenario import scenario

RUN_LIMIT_S = 280


async def reset(lab, file, adapters):
    words = [word for adapter in adapters for word in ("--adapter", adapter)]
    run = lab.linkmend()
    return await run(
        "loaners", "reset", file, "--yes", "--json", *words, limit_s=RUN_LIMIT_S
    )


@scenario()
async def six_alike_are_reset_through_two_adapters_and_each_is_written_to_once(lab):
    boats = await shelf.powered(lab, 6)
    file = await shelf.file(lab, boats)
    before = [await lab.nm.goes_on(adapter) for adapter in ADAPTERS]
    said = await reset(lab, file, ADAPTERS)
    lab.check.equal("exit code", said.code, 0, said)
    out = shelf.summary(said)
    results = {one["label"]: one["result"] for one in out.get("loaners", [])}
    wanted = {boat.label: "done" for boat in boats}
    lab.check.equal("what it says of each", results, wanted, said)
    proofs = {
        line["proof"] for one in out.get("loaners", []) for line in one["changes"]
    }
    lab.check.equal("what that rests on", proofs, {"after-restart"}, said)
    for boat in boats:
        truth = await boat.truth()
        lab.check.equal(f"{boat.label}: the lock", truth["settings"]["model-lock"], "off", said)
        lab.check.equal(f"{boat.label}: one save", truth["saves"], 1, said)
    used = {span.get("adapter") for one in out.get("loaners", []) for span in one["spans"]}
    lab.check.holds("both adapters were at work", set(ADAPTERS) <= used, used)
    after = [await lab.nm.goes_on(adapter) for adapter in ADAPTERS]
    lab.check.equal("whether the adapters go on by themselves", after, before, said)


@scenario()
async def killed_while_its_adapter_listens_the_next_start_brings_the_laptop_home(lab):
    [boat] = await shelf.powered(lab, 1)
    file = await shelf.file(lab, [boat])
    words = ["loaners", "reset", file, "--yes", "--json", "--adapter", ADAPTER]
    run = await lab.start_run(lab.linkmend(), *words)
    await run.until("it saves, so that the receiver restarts", boat.shuts())
    await run.until("it leaves, to listen", lab.nm.reaches(ADAPTER, DISCONNECTED))
    await run.stop()
    said = await reset(lab, file, [ADAPTER])
    lab.check.equal("exit code of the next start", said.code, 0, said)
    truth = await boat.truth()
    lab.check.equal("the lock", truth["settings"]["model-lock"], "off", said)
    lab.check.equal("one save", truth["saves"], 1, said)
