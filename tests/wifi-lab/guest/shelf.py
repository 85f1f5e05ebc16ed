"""A loan shelf in the lab: receivers of one name, one passphrase and one address, and their file."""

import json

# A restart of 8 to 11 s: as long as a scan and a session take, so that an adapter has to be shared.
SPEED = 5
CHANNELS = (1, 6, 11, 3, 8, 9)


async def powered(lab, count):
    """So many locked receivers, all of them with their networks open."""
    boats = [
        await lab.receiver(f"boat{n + 1}", channel=CHANNELS[n], speed=SPEED) for n in range(count)
    ]
    for boat in boats:
        await boat.opens()
    return boats


async def file(lab, boats):
    """The shelf's file: no lock for any of them, and all else as it is; gives its path."""
    lines = [
        "format = 1",
        'title = "Shelf of the lab"',
        f'family = "{lab.profile(speed=SPEED)}"',
        "[baseline]",
        'model-lock = "off"',
    ]
    for boat in boats:
        truth = (await boat.truth())["settings"]
        lines += ["[[loaner]]", f'label = "{boat.label}"', f'bssid = "{boat.bssid}"']
        lines += ["[loaner.settings]"]
        # Left out, they would be removed: a loaner keeps nobody's network.
        for name in ("local-network", "local-passphrase"):
            kept = lab.file(f"{boat.label}-{name}", truth[name])
            lines.append(f'{name} = {{ file = "{kept}" }}')
    return lab.file("shelf.toml", "\n".join(lines) + "\n")


def summary(said):
    """The last line of a run: what came of it."""
    lines = said.stdout.splitlines()
    return json.loads(lines[-1]) if lines else {}
