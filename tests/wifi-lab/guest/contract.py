"""The contract of `wifi` over the real NetworkManager, a scenario for each of its parts.

The contract itself is the program `wifi-contract`, the same that the made-up air is held to. It asks
for networks and for witnesses in lines of JSON, as its own head says; this is who answers.
"""

import contextlib
import json

import home
from access_point import AccessPoint
from faults import LabBroke, within
from home import serve_addresses
from laptop import ADAPTER
from process import Daemon
from receiver import ADDRESS, FIRST_GUEST, LAST_GUEST
from scenario import Scenario

# Some wait for the longest time that NetworkManager gives a join (25 s), and try twice.
LIMIT_S = 270


def scenarios(names):
    """One for each part of the contract."""
    return [Scenario(part(name), autoconnect=False, comes_home=True) for name in names]


def part(name):
    """The function that holds the program to one part."""

    async def act(lab):
        await hold(lab, name)

    act.__name__ = f"contract_{name}"
    return act


async def hold(lab, name):
    """Runs the program for one part, and answers what it asks of the air."""
    async with contextlib.AsyncExitStack() as stack:
        air = Air(lab, stack)
        words = [lab.contract_program, ADAPTER, name]
        program = await Daemon.start("contract", *words, on_line=air.hear, keep_stdin=True)
        stack.push_async_callback(program.stop)
        async with within(LIMIT_S, f"the end of the contract `{name}`"):
            verdict = await air.serve(program)
    if verdict["verdict"] == "broke":
        raise LabBroke(verdict["why"])
    lab.check.holds(name, verdict["verdict"] == "holds", verdict["why"])


class Air:
    """What the program asks for."""

    def __init__(self, lab, stack):
        self._lab = lab
        self._stack = stack
        self._points = {}
        self._asked = []
        self._number = 0

    def hear(self, line):
        self._asked.append(json.loads(line))

    async def serve(self, program):
        """Answers until it is over; gives the verdict."""
        verdict = None
        while True:
            await program.notice.until(lambda: self._asked or program.has_ended)
            if not self._asked:
                raise LabBroke("the contract ended before it was over; see its log")
            line = self._asked.pop(0)
            if "over" in line:
                if verdict is None:
                    raise LabBroke("there is no such part of the contract")
                return verdict
            if "verdict" in line:
                verdict = line
                continue
            answer = await self._answer(line)
            program.process.stdin.write(json.dumps(answer).encode() + b"\n")
            await program.process.stdin.drain()

    async def _answer(self, line):
        asked = line["ask"]
        if asked == "open":
            return {"bssid": await self._open(line)}
        if asked == "close":
            await self._points[line["bssid"]].shut()
            return {}
        if asked == "scans":
            await self._lab.nm.scans(ADAPTER)
            return {}
        if asked == "guests":
            return {"guests": len(await self._points[line["bssid"]].guests_now())}
        if asked == "saved":
            state = await self._lab.laptop.state()
            return {"saved": sorted([*map(str, state.connections.items()), *state.files])}
        if asked == "is-home":
            return {"home": await self._lab.nm.is_active(ADAPTER, home.UUID)}
        raise LabBroke(f"the contract asks for `{asked}`")

    async def _open(self, wish):
        self._number += 1
        label = f"contract-{self._number}"
        radio = self._lab.radios.take()
        self._stack.push_async_callback(self._lab.radios.give_back, radio)
        await radio.ip("addr", "add", f"{ADDRESS}/24", "dev", radio.interface)
        if wish["gives-addresses"]:
            addresses = await serve_addresses(radio, label, FIRST_GUEST, LAST_GUEST)
            self._stack.push_async_callback(addresses.stop)
        point = AccessPoint(
            radio,
            label,
            wish["name"],
            security="open" if wish["passphrase"] is None else "wpa2",
            passphrase=wish["passphrase"],
            channel=wish["channel"],
            more=["ignore_broadcast_ssid=1"] if wish["hidden"] else [],
        )
        self._stack.push_async_callback(point.shut)
        await point.open()
        self._points[point.bssid] = point
        return point.bssid
