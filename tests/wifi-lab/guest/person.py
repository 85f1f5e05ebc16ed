"""Who runs the program: root, or a person who is no administrator, at the laptop or from afar.

polkit asks systemd-logind's files and the control group of a process for its session (sd-login(3)).
There is no logind in this machine, so the lab writes those files: a session at the first seat, as
logind would after a login there. All that decides from them is what Debian ships.
"""

import os
from dataclasses import dataclass

from process import run, write

CGROUPS = "/sys/fs/cgroup"
# The ids are of no system account and no usual person, so that they are free on any computer.
NAME, UID = "skipper", 59007
AFAR_NAME, AFAR_UID = "mate", 59008


@dataclass(frozen=True)
class Person:
    """Words that a command gets in front, and what it finds in its environment."""

    name: str
    home: str
    prefix: tuple

    def command(self, *words):
        return [*self.prefix, *words]


ROOT = Person("root", "/root", ())


async def make_persons():
    """Makes two persons: one at the laptop itself, and one from afar, without a session here."""
    group = f"{CGROUPS}/user.slice/user-{UID}.slice/session-1.scope"
    os.makedirs(group, exist_ok=True)
    enter = f'echo $$ >{group}/cgroup.procs && exec "$@"'
    at_laptop = await _make(NAME, UID, "sh", "-c", enter, "sh")
    return at_laptop, await _make(AFAR_NAME, AFAR_UID)


async def _make(name, uid, *first):
    await run("useradd", "--create-home", "--uid", uid, "--shell", "/bin/bash", name)
    become = ("setpriv", f"--reuid={uid}", f"--regid={uid}", "--init-groups", "--")
    return Person(name, f"/home/{name}", (*first, *become))


def open_session():
    """Writes what logind keeps of one session at the seat of this computer."""
    state = {
        "sessions/1": {
            "UID": UID,
            "USER": NAME,
            "ACTIVE": 1,
            "IS_DISPLAY": 1,
            "STATE": "active",
            "REMOTE": 0,
            "TYPE": "tty",
            "CLASS": "user",
            "SCOPE": "session-1.scope",
            "SEAT": "seat0",
            "VTNR": 1,
            "POSITION": 1,
            "LEADER": 1,
        },
        f"users/{UID}": {
            "NAME": NAME,
            "STATE": "active",
            "SESSIONS": 1,
            "SEATS": "seat0",
            "ACTIVE_SESSIONS": 1,
            "ONLINE_SESSIONS": 1,
            "ACTIVE_SEATS": "seat0",
            "ONLINE_SEATS": "seat0",
        },
        "seats/seat0": {
            "IS_SEAT0": 1,
            "CAN_MULTI_SESSION": 1,
            "CAN_TTY": 1,
            "CAN_GRAPHICAL": 0,
            "ACTIVE": 1,
            "ACTIVE_UID": UID,
            "SESSIONS": 1,
            "UIDS": UID,
        },
    }
    os.makedirs("/run/systemd/machines", exist_ok=True)
    for file, lines in state.items():
        path = f"/run/systemd/{file}"
        write(path, "".join(f"{key}={value}\n" for key, value in lines.items()))
        os.chmod(path, 0o644)
