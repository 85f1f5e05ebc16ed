"""The machine's side of the power cut: the change that is cut, and what `resume` makes of it."""

import os

import watch
from process import run
from scenario import Scenario
from scenario import run as run_scenario

SEED = 5005
# The save has left, and nothing is known of its answer.
POINT = "sent-save"
LIMIT_S = 120


async def mount(disk, folder):
    """Mounts a disk of the machine."""
    await run("modprobe", "virtio_blk")
    await run("modprobe", "ext4")
    await run("udevadm", "settle")
    os.makedirs(folder, exist_ok=True)
    await run("mount", "-t", "ext4", disk, folder)
    return f"{folder}/data"


async def cut(lab, report):
    """Goes as far as the point, and says so; the power goes while it waits."""
    await lab.laptop.go_home(False)
    data = await mount("/dev/vda", "/run/lab/disk")
    async with lab.scenario(None):
        boat = await lab.receiver(seed=SEED)
        linkmend = lab.linkmend()
        linkmend.data = data
        passed = lab.file("passed", "")
        env = {"LINKMEND_CHECKPOINT": POINT, "LINKMEND_CHECKPOINT_FILE": passed}
        # It is awake for much longer when it is written to than when it is read after the power is
        # back: that its uptime fell is how a restart is seen by a computer that was restarted too.
        for _ in range(2):
            await linkmend("read", "--json", "--profile", lab.profile())
        words = ["unlock", "--yes", "--json", "--profile", lab.profile()]
        change = await lab.start_run(linkmend, *words, env=env)
        await change.until("it has sent the save", watch.holds(passed, POINT), LIMIT_S)
        await boat.asked("POST")
        report.say("cut-now")
        # Nothing is closed here, and nothing ends: the host takes the power away.
        await change.end(LIMIT_S)


async def back(lab, report):
    """With the power back: a receiver that has taken the save, and one that has not."""
    both = (
        ("/dev/vda", "healthy", after_a_power_cut_resume_sees_that_the_save_was_taken),
        ("/dev/vdb", "locked", after_a_power_cut_resume_finishes_what_was_not_taken),
    )
    for disk, state, act in both:

        async def with_disk(lab, disk=disk, state=state, act=act):
            linkmend = lab.linkmend()
            linkmend.data = await mount(disk, f"/run/lab/{state}")
            await act(lab, linkmend, await lab.receiver(seed=SEED, scenario=state))

        with_disk.__name__ = act.__name__
        await run_scenario(Scenario(with_disk, autoconnect=False, comes_home=True), lab, report)


async def after_a_power_cut_resume_sees_that_the_save_was_taken(lab, linkmend, boat):
    await resumed(lab, linkmend, boat, saves=0)


async def after_a_power_cut_resume_finishes_what_was_not_taken(lab, linkmend, boat):
    await resumed(lab, linkmend, boat, saves=1)


async def resumed(lab, linkmend, boat, saves):
    said = await linkmend("resume", "--yes", "--json")
    outcomes = [change["outcome"] for change in said.json.get("resumed", [])]
    lab.check.equal("exit code", said.code, 0, said)
    lab.check.equal("what resume says", outcomes, ["done"], said)
    truth = await boat.truth()
    lab.check.equal("the lock", truth["settings"]["model-lock"], "off", said)
    lab.check.equal("saves since the power is back", truth["saves"], saves, said)
    history = await linkmend("history", "--json")
    lab.check.equal("the journal is whole: exit code", history.code, 0, history)
