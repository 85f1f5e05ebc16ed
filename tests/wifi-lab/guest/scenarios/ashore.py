"""A receiver that has joined a stored network instead of opening its own."""

import home
from scenario import scenario

ADDRESS = "10.20.0.50"


@scenario()
async def one_that_joined_a_stored_network_is_found_there_and_unlocked(lab):
    joins = (home.NAME, home.PASSPHRASE, f"{ADDRESS}/24")
    boat = await lab.receiver(joins=joins)
    own = (await boat.truth())["serial"]
    linkmend = lab.linkmend()
    # It says who it is once its own wait is over.
    said = await linkmend("find", "--json", "--wait", "60", *lab.through())
    lab.check.equal("exit code of find", said.code, 0, said)
    lab.check.holds("it is found at its address", f"http://{ADDRESS}" in said.stdout, said)
    words = ["unlock", "--yes", "--json", "--at", f"http://{ADDRESS}"]
    said = await linkmend(*words, "--profile", lab.profile())
    lab.check.equal("exit code", said.code, 0, said)
    identity = said.json.get("device", {}).get("identity", {})
    lab.check.equal("it is that one", identity.get("serial"), own, said)
    settings = (await boat.truth())["settings"]
    lab.check.equal("the lock", settings["model-lock"], "off", said)
    lab.check.equal("it never opened a network of its own", boat.openings(), 0)
