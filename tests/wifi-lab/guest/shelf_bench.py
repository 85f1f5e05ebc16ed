"""How fast a shelf of six is reset and proved: linkmend with one adapter and with two, and a loop of
nmcli and curl as a handy person writes it.

Each time with six receivers that have just opened their networks and that nobody has written to.
"""

import time

import shelf
from process import run, write
from radios import ADAPTERS
from receiver import ADDRESS, PASSPHRASE

COUNT = 6
LIMIT_S = 900

# One after another: join that very one, send its form with the lock off, wait, look whether it holds.
SCRIPT = r"""
set -u
adapter=$1 word=$2 url=$3 name=$4
shift 4
join() {
  # One that is saved would be taken again, and with it any receiver of that name.
  nmcli connection delete "$name" >/dev/null 2>&1
  until nmcli -w 20 device wifi connect "$1" password "$word" ifname "$adapter" >/dev/null 2>&1; do
    nmcli device wifi rescan ifname "$adapter" >/dev/null 2>&1
    sleep 1
  done
}
value() { printf %s "$air" | sed -n "s/.*name=\"$1\" value=\"\([^\"]*\)\".*/\1/p"; }
chosen() {
  printf %s "$air" | sed -n "s/.*name=\"$1\">//p" | sed 's/.*value="\([^"]*\)" selected.*/\1/'
}
for bssid in "$@"; do
  while :; do
    join "$bssid"
    air=$(curl -sf -m 10 "$url" | sed -n '/id="air"/,/<\/form>/p')
    [ -n "$air" ] || continue
    printf %s "$air" | grep -q 'value="any" checked' && break
    curl -sf -m 10 -o /dev/null "${url}keep-air" --data-urlencode "once=$(value once)" \
      --data-urlencode "called=$(value called)" --data-urlencode "follows=any" \
      --data-urlencode "held_to=$(value held_to)" --data-urlencode "kinship=$(value kinship)" \
      --data-urlencode "wave=$(chosen wave)" --data-urlencode "zone=$(chosen zone)" \
      --data-urlencode "strength=$(chosen strength)" --data-urlencode "act=keep"
    sleep 2
  done
  nmcli device disconnect "$adapter" >/dev/null 2>&1
done
"""


async def play(lab, report, rounds):
    """Reports each time as it is taken."""
    script = write("/run/lab/shelf.sh", SCRIPT)
    for number in range(rounds):
        for way, act in WAYS.items():
            async with lab.scenario(None):
                boats = await shelf.powered(lab, COUNT)
                file = await shelf.file(lab, boats)
                begun = time.monotonic()
                await act(lab, boats, file, script)
                took = time.monotonic() - begun
                await all_off(boats, way)
            await lab.laptop.go_home(True)
            report.say("time", way=way, round=number, took_s=took)


async def shelf_one(lab, _, file, __):
    await with_linkmend(lab, file, ADAPTERS[1:])


async def shelf_two(lab, _, file, __):
    await with_linkmend(lab, file, ADAPTERS)


async def with_linkmend(lab, file, adapters):
    words = [word for adapter in adapters for word in ("--adapter", adapter)]
    said = await lab.linkmend()("loaners", "reset", file, "--yes", "--json", *words, limit_s=LIMIT_S)
    if said.code != 0:
        raise RuntimeError(f"linkmend does not reset them: {said}")


async def shelf_script(_, boats, __, script):
    words = ["bash", script, ADAPTERS[1], PASSPHRASE, f"http://{ADDRESS}/", boats[0].name]
    await run(*words, *[boat.bssid.upper() for boat in boats], limit_s=LIMIT_S)


async def all_off(boats, way):
    """Whatever did not do its work was not measured."""
    for boat in boats:
        lock = (await boat.truth())["settings"]["model-lock"]
        if lock != "off":
            raise RuntimeError(f"{way}: {boat.label} is still locked: {lock}")


WAYS = {"shelf_one": shelf_one, "shelf_two": shelf_two, "shelf_script": shelf_script}
