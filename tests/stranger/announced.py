"""Lets linkmend find devices on a local network that others announce: python-zeroconf, avahi, and the
simulated receivers.

    python3 tests/stranger/announced.py [PROGRAMS]    default: target/debug

Needs root and Debian's avahi-daemon and iproute2; python-zeroconf goes into an environment below the
target folder. All of it happens in namespaces of its own: a computer with two adapters, and behind
each a device in a namespace of its own, both with one address. Nothing reaches another network.
"""

import json
import os
import socket
import subprocess
import sys
import tempfile
import time
from contextlib import ExitStack
from pathlib import Path
from xml.etree import ElementTree

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent / "system"))

from outside import PLAIN, ROOT, Tally  # noqa: E402

INSIDE = "LINKMEND_ANNOUNCED_INSIDE"
# The address of both devices. The computer's own differ: a responder joins a network by the address
# of its adapter.
DEVICE = "192.168.4.7"
ZEROCONF = "zeroconf==0.154.0"


def run(*words):
    subprocess.run([str(word) for word in words], check=True)


def until(what, holds):
    """Waits for what another program does. Only a check that fails waits to the end."""
    for _ in range(200):
        if holds():
            return
        time.sleep(0.05)
    raise RuntimeError(f"{what}: not within 10 s")


class Behind:
    """A namespace that is joined to the computer by one adapter, as a device on its network is."""

    def __init__(self, adapter, address=None, computer=None):
        self.adapter = adapter
        self.keeper = subprocess.Popen(
            ["unshare", "--net", "sh", "-c", "echo; exec cat"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
        )
        self.keeper.stdout.readline()
        run("ip", "link", "add", adapter, "type", "veth", "peer", "air0", "netns", self.keeper.pid)
        run("ip", "link", "set", adapter, "up")
        run(*self.inside("ip", "link", "set", "lo", "up"))
        run(*self.inside("ip", "link", "set", "air0", "up"))
        if address:
            run("ip", "address", "add", f"{computer}/24", "dev", adapter)
            run(*self.inside("ip", "address", "add", f"{address}/24", "dev", "air0"))
        self.link_local = None
        until("a link-local address at both ends", self.has_link_local)

    def has_link_local(self):
        """Whether both ends have theirs, and nobody else turned out to have it (RFC 4862)."""
        shown = []
        for words in (["ip"], self.inside("ip")):
            device = "air0" if len(words) > 1 else self.adapter
            words = [*words, "-json", "-6", "address", "show", "dev", device, "scope", "link"]
            addresses = json.loads(subprocess.check_output(words))
            infos = [info for entry in addresses for info in entry.get("addr_info", [])]
            shown.append([info["local"] for info in infos if not info.get("tentative")])
        self.link_local = (shown[1] or [None])[0]
        return all(shown)

    def inside(self, *words):
        return ["nsenter", f"--net=/proc/{self.keeper.pid}/ns/net", *[str(word) for word in words]]

    def __enter__(self):
        return self

    def __exit__(self, *_):
        run("ip", "link", "delete", self.adapter)
        self.keeper.stdin.close()
        self.keeper.wait(timeout=30)


class Running:
    """A program that says `ready` on a line of its own, and ends with its stdin."""

    def __init__(self, words):
        words = [str(word) for word in words]
        self.process = subprocess.Popen(
            words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )
        self.said = self.process.stdout.readline()
        if not self.said:
            raise RuntimeError(f"{words} ended at once")

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.process.stdin.close()
        self.process.wait(timeout=30)


# Announced by python-zeroconf: services of one host, until stdin closes.
ZEROCONF_SAYS = """
import json, socket, sys
from zeroconf import ServiceInfo, Zeroconf
asked = json.loads(sys.argv[1])
packed = [socket.inet_pton(socket.AF_INET6 if ":" in a else socket.AF_INET, a) for a in asked["addresses"]]
responder = Zeroconf(interfaces=asked["on"])
for name, service, port, txt in asked["services"]:
    kind = service + ".local."
    responder.register_service(ServiceInfo(kind, name + "." + kind, port=port, properties=txt,
                                           addresses=packed, server="coot.local."))
print("ready", flush=True)
sys.stdin.read()
responder.close()
"""


def by_zeroconf(python, behind, addresses, *services):
    asked = {"on": [DEVICE], "addresses": addresses, "services": services}
    return Running(behind.inside(python, "-c", ZEROCONF_SAYS, json.dumps(asked)))


class Avahi:
    """avahi-daemon with one service, in a mount namespace of its own and without D-Bus."""

    CONFIG = """[server]
host-name=heron
use-ipv4=yes
use-ipv6=yes
allow-interfaces=air0
enable-dbus=no
[publish]
publish-addresses=yes
publish-workstation=no
publish-hinfo=no
[rlimits]
"""

    def __init__(self, behind, name, service, port, txt):
        self.folder = tempfile.TemporaryDirectory()
        folder = Path(self.folder.name)
        (folder / "services").mkdir()
        group = ElementTree.Element("service-group")
        ElementTree.SubElement(group, "name").text = name
        entry = ElementTree.SubElement(group, "service")
        ElementTree.SubElement(entry, "type").text = service
        ElementTree.SubElement(entry, "port").text = str(port)
        for key, value in txt.items():
            ElementTree.SubElement(entry, "txt-record").text = f"{key}={value}"
        ElementTree.ElementTree(group).write(folder / "services" / "device.service")
        (folder / "avahi.conf").write_text(self.CONFIG)
        script = (
            f"mount --bind {folder}/services /etc/avahi/services && mount -t tmpfs none /run && "
            f"exec avahi-daemon --no-chroot --no-drop-root --no-rlimits --file {folder}/avahi.conf"
        )
        self.log = open(folder / "log", "w+")
        self.process = subprocess.Popen(
            behind.inside("unshare", "--mount", "sh", "-c", script),
            stdin=subprocess.DEVNULL,
            stdout=self.log,
            stderr=self.log,
        )
        until("avahi has established its service", lambda: "successfully established" in self.says())

    def says(self):
        return Path(self.log.name).read_text()

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.process.terminate()
        self.process.wait(timeout=30)
        self.log.close()
        self.folder.cleanup()


class Receiver(Running):
    """A simulated receiver that has joined, with the socket that turns the world around it."""

    def __init__(self, program, behind, family, listen, folder):
        self.control = Path(folder) / f"control-{family}"
        words = ["--family", family, "--listen", listen, "--listen-anywhere", "--joined"]
        words += ["--advertise", "--advertise-on", "air0", "--control", self.control]
        super().__init__(behind.inside(program, *words, "--until-stdin-closes"))

    def command(self, line):
        with socket.socket(socket.AF_UNIX) as stream:
            stream.connect(str(self.control))
            stream.sendall(f"{line}\n".encode())
            return json.loads(stream.makefile().readline())

    def device(self):
        return self.command("truth")["devices"][0]


class Looked:
    """What one look around found."""

    def __init__(self, program, adapter, seconds):
        words = [program, adapter, str(seconds)]
        self.output = subprocess.check_output(words, text=True, timeout=60)
        lines = [json.loads(line) for line in self.output.splitlines()]
        self.told = [line["new"] for line in lines if "new" in line]
        self.all = lines[-1].get("all", [])
        self.error = lines[-1].get("error")

    def __str__(self):
        return self.output


def find(programs, *words):
    """What `linkmend find` says on a computer without a Wi-Fi service."""
    env = PLAIN | {"DBUS_SYSTEM_BUS_ADDRESS": "unix:path=/nonexistent/bus"}
    words = [programs / "linkmend", "find", *words]
    return subprocess.run(words, capture_output=True, text=True, env=env, timeout=60)


def deck(serial):
    return {"hull": "deck", "plate": serial}


def strangers(tally, look, python, shore0, shore1):
    """Two responders that nobody here wrote, each behind its adapter, with one address."""
    name = "Tarn deck. Kl\u00e4ppli"
    with ExitStack() as stack:
        both = [DEVICE, shore0.link_local]
        services = [
            (name, "_tarn-boat._tcp", 8080, deck("TD-0001")),
            ("A barge", "_tarn-boat._tcp", 8080, {"hull": "barge", "plate": "TD-0002"}),
            ("Something else", "_tarn-anchor._tcp", 80, deck("TD-0003")),
            ("Tarn keel", "_tarn-keel._tcp", 8081, {"aerial": "02:1c:9e:40:77:e2"}),
        ]
        stack.enter_context(by_zeroconf(python, shore0, both, *services))
        txt = {"hull": "mast", "plate": "TM-0001"}
        stack.enter_context(Avahi(shore1, "Tarn mast One", "_tarn-boat._tcp", 8082, txt))

        looked = look("shore0", 2)
        found = {device["name"]: device for device in looked.all}
        tally.equal("python-zeroconf: names", sorted(found), [name, "Tarn keel"], looked)
        told = sorted(device["name"] for device in looked.told)
        tally.equal("python-zeroconf: told as they come", told, sorted(found), looked)
        first = found.get(name, {})
        tally.equal("python-zeroconf: family", first.get("families"), ["sample-form"], looked)
        tally.equal("python-zeroconf: serial", first.get("serial"), "TD-0001", looked)
        wanted = [f"{DEVICE}%shore0", f"{shore0.link_local}%shore0"]
        tally.equal("python-zeroconf: addresses", first.get("addresses"), wanted, looked)
        tally.equal("python-zeroconf: port", first.get("port"), 8080, looked)
        keel = found.get("Tarn keel", {})
        marks = (keel.get("serial"), keel.get("bssid"))
        tally.equal("python-zeroconf: marks", marks, (None, "02:1c:9e:40:77:e2"), looked)

        looked = look("shore1", 2)
        tally.equal("avahi: one device", len(looked.all), 1, looked)
        mast = (looked.all or [{}])[0]
        seen = [mast.get(key) for key in ("name", "families", "serial", "port")]
        wanted = ["Tarn mast One", ["sample-login"], "TM-0001", 8082]
        tally.equal("avahi: what it says", seen, wanted, looked)
        wanted = [f"{DEVICE}%shore1", f"{shore1.link_local}%shore1"]
        tally.equal("avahi: addresses", mast.get("addresses"), wanted, looked)

        looked = look("-", 2)
        seen = {device["name"]: device["addresses"][0] for device in looked.all}
        wanted = {name: "shore0", "Tarn keel": "shore0", "Tarn mast One": "shore1"}
        wanted = {key: f"{DEVICE}%{adapter}" for key, adapter in wanted.items()}
        tally.equal("all adapters: one address is three devices", seen, wanted, looked)

    looked = look("-", 1)
    tally.equal("after their goodbyes: nobody", looked.all, [], looked)


def receivers(tally, look, programs, shore0, shore1, folder):
    """Simulated receivers: found, answering behind the right adapter, and gone with their network."""
    with ExitStack() as stack:
        listen = f"{DEVICE}:80"
        form = Receiver(programs / "mock-device", shore0, "sample-form", listen, folder)
        script = Receiver(programs / "mock-device", shore1, "sample-script", listen, folder)
        stack.enter_context(form)
        stack.enter_context(script)
        looked = look("-", 2)
        found = {(device["families"] or [None])[0]: device for device in looked.all}
        tally.equal("receivers: both", sorted(found), ["sample-form", "sample-script"], looked)
        answers = {family: device["answers"] for family, device in found.items()}
        wanted = {family: family for family in found}
        tally.equal("receivers: each answers behind its adapter", answers, wanted, looked)
        serial = found.get("sample-form", {}).get("serial")
        tally.equal("receivers: the serial is true", serial, form.device()["serial"], looked)
        bssid = found.get("sample-script", {}).get("bssid")
        tally.equal("receivers: the BSSID is true", bssid, script.device()["bssid"], looked)

        said = find(programs, "--json")
        *events, last = [json.loads(line) for line in said.stdout.splitlines()]
        listed = {one["families"][0]: one for one in last["devices"]}
        seen = {family: one["announced"]["addresses"][0] for family, one in listed.items()}
        wanted = {"sample-form": "shore0", "sample-script": "shore1"}
        wanted = {key: {"address": DEVICE, "adapter": name} for key, name in wanted.items()}
        tally.equal("find: both, without a Wi-Fi service", seen, wanted, said)
        tally.equal("find: each as it came", len(events), 2, said)
        code = last["warnings"][0]["code"]
        tally.equal("find: and what is missing", (said.returncode, code), (0, "no-wifi-service"), said)
        identity = listed.get("sample-form", {}).get("identity", {})
        tally.equal("find: its serial", identity.get("serial"), form.device()["serial"], said)
        said = find(programs, "--adapter", "shore0", "--profile", "sample-form")
        wanted = ["on a local network:", f"http://{DEVICE}", f"serial {serial}"]
        missing = [words for words in wanted if words not in said.stdout]
        tally.equal("find: told to a person", missing, [], said)

        form.command("joined off")
        looked = look("shore0", 1)
        tally.equal("a receiver that has left: not there", looked.all, [], looked)
        form.command("joined on")
        looked = look("shore0", 2)
        serials = [device["serial"] for device in looked.all]
        tally.equal("back again: there", serials, [serial], looked)


def link_local_alone(tally, look, programs, folder):
    """A device without IPv4: its link-local address means something behind its adapter alone."""
    with Behind("shore2") as shore, ExitStack() as stack:
        stack.enter_context(Receiver(programs / "mock-device", shore, "sample-form", "[::]:80", folder))
        looked = look("shore2", 2)
        device = (looked.all or [{}])[0]
        wanted = [f"{shore.link_local}%shore2"]
        tally.equal("link-local alone: its address", device.get("addresses"), wanted, looked)
        said = find(programs, "--adapter", "shore2")
        there = f"{shore.link_local} through shore2" in said.stdout
        tally.holds("link-local alone: found behind its adapter", there, said)
        tally.equal("link-local alone: it answers", device.get("answers"), "sample-form", looked)


def python_with_zeroconf(target):
    """An environment with python-zeroconf, made where it is missing."""
    folder = target / "strangers"
    python = folder / "bin/python"
    asked = [python, "-c", "import zeroconf"]
    if not python.exists() or subprocess.run(asked, capture_output=True).returncode != 0:
        run(sys.executable, "-m", "venv", folder)
        run(python, "-m", "pip", "install", "--quiet", "--disable-pip-version-check", ZEROCONF)
    return python


def main():
    programs = Path(sys.argv[1] if len(sys.argv) > 1 else ROOT / "target/debug").resolve()
    if os.geteuid() != 0:
        sys.exit("announced.py needs root: it makes networks of its own")
    python = python_with_zeroconf(programs.parent)
    if os.environ.get(INSIDE) is None:
        os.environ[INSIDE] = "1"
        again = [sys.executable, str(Path(__file__).resolve()), str(programs)]
        os.execvp("unshare", ["unshare", "--net", "--mount", *again])
    announced = programs / "examples/announced"
    tally = Tally()

    def look(adapter, seconds):
        return Looked(announced, adapter, seconds)

    run("ip", "link", "set", "lo", "up")
    looked = look("-", 1)
    tally.equal("no network at all: said", looked.error, "no-network", looked)
    with tempfile.TemporaryDirectory() as folder:
        shore0 = Behind("shore0", DEVICE, "192.168.4.1")
        shore1 = Behind("shore1", DEVICE, "192.168.4.2")
        with shore0, shore1:
            strangers(tally, look, python, shore0, shore1)
            receivers(tally, look, programs, shore0, shore1, folder)
        link_local_alone(tally, look, programs, folder)
    return tally.close()


if __name__ == "__main__":
    sys.exit(main())
