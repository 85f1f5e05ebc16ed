"""Home again: whatever was active before is active afterwards, however the run ends."""

import asyncio
import signal

from scenario import scenario


async def joined(lab, boat, *words, env=()):
    """A run that has just joined the receiver."""
    run = await lab.start_run(lab.linkmend(), *words, *lab.through(), env=env)
    await boat.opens()
    await run.until("it joins the receiver", boat.point.guest())
    return run


@scenario()
async def a_reading_that_is_interrupted_leaves_the_laptop_at_home(lab):
    boat = await lab.receiver()
    run = await joined(lab, boat, "unlock", "--yes", "--json")
    run.signal(signal.SIGINT)
    said = await run.end()
    # Whether the save had left by then is a matter of luck; both ends are told as they are.
    untouched = await boat.is_untouched()
    wanted = 130 if untouched else 7
    lab.check.equal("exit code", said.code, wanted, said)


@scenario()
async def a_wait_that_is_interrupted_leaves_the_laptop_at_home(lab):
    boat = await lab.receiver()
    await boat.tell("transmitter on")
    terminal = await lab.terminal(lab.linkmend(), "read", *lab.through())
    await terminal.shows("looking for its network")
    terminal.types("\x03")
    said = await terminal.end()
    lab.check.equal("exit code", said.code, 130, said)
    lab.check.equal("its network never opened", boat.openings(), 0)


@scenario(autoconnect=True)
async def killed_while_joined_the_laptop_goes_home_by_itself(lab):
    boat = await lab.receiver()
    run = await joined(lab, boat, "read", "--json")
    await run.stop()
    lab.check.holds("it was joined", boat.point.guests)


@scenario()
async def killed_while_joined_the_next_start_brings_the_laptop_home(lab):
    boat = await lab.receiver()
    run = await joined(lab, boat, "read", "--json")
    await run.stop()
    # Nobody but the program brings it home here: NetworkManager is told not to by itself.
    said = await lab.linkmend()("find", "--json", *lab.through())
    lab.check.equal("exit code of the next start", said.code, 0, said)


@scenario()
async def killed_in_the_middle_of_a_change_it_is_finished_by_resume(lab):
    boat = await lab.receiver()
    await boat.opens()
    # Only its uptime tells of a restart that nobody was there to see, and it does where it has been up
    # for longer before than after: the laptop may need ten seconds to find it again.
    await asyncio.sleep(20)
    run = await joined(lab, boat, "unlock", "--yes", "--json")
    await run.until("it saves, so that the receiver restarts", boat.shuts())
    await run.stop()
    said = await lab.linkmend()("resume", "--yes", "--json")
    outcomes = [change["outcome"] for change in said.json.get("resumed", [])]
    lab.check.equal("exit code", said.code, 0, said)
    lab.check.equal("what resume says", outcomes, ["done"], said)
    truth = await boat.truth()
    lab.check.equal("the lock", truth["settings"]["model-lock"], "off", said)
    lab.check.equal("one save", truth["saves"], 1, said)


@scenario()
async def a_dry_run_writes_nothing_and_leaves_the_laptop_as_it_was(lab):
    boat = await lab.receiver()
    await boat.opens()
    said = await lab.linkmend()("unlock", "--dry-run", "--json", *lab.through())
    lab.check.equal("exit code", said.code, 0, said)
    lab.check.equal("outcome", said.outcome, "planned", said)
    lab.check.holds("untouched", await boat.is_untouched(), said)

