"""Lets linkmend read and write a device behind HTTP Basic and Digest, as lighttpd and Apache do them.

    python3 tests/stranger/guarded.py [LINKMEND]      default: target/debug/linkmend

Needs Debian's lighttpd and apache2-bin. The servers listen on loopback alone and end with this
program. What linkmend claims is compared with what the program behind them keeps, and how often a
password was refused with the servers' own logs.
"""

import base64
import hashlib
import json
import shutil
import socket
import subprocess
import sys
import tempfile
import time
from contextlib import contextmanager
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent / "system"))

from outside import Linkmend, Tally  # noqa: E402

USER, WORD, REALM = "skipper", "heron-on-one-leg", "deck"
AT_FIRST = {"plate": "GL-0007", "boots": 1, "called": "Dunlin", "held": 7, "writes": 0}


class Server:
    """A web server in the foreground, with the device's program behind its login."""

    def __init__(self, folder, kind, *words):
        self.folder = Path(folder)
        self.kept = self.folder / "deck" / "kept.json"
        self.log = self.folder / "access.log"
        (self.folder / "deck").mkdir()
        self.kept.write_text(json.dumps(AT_FIRST))
        for name in ("radio", "keep", "anew"):
            shutil.copy(HERE / "deck.py", self.folder / "deck" / name)
        (self.folder / "index.html").write_text("<!doctype html><title>Guarded loaner</title>\n")
        for path in (self.folder, *self.folder.rglob("*")):
            # Apache's workers are somebody else.
            path.chmod(0o777)
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            self.port = free.getsockname()[1]
        self.at = f"http://127.0.0.1:{self.port}"
        command = kind(self, *words)
        self.process = subprocess.Popen(command, stdin=subprocess.DEVNULL)

    def truth(self):
        return json.loads(self.kept.read_text())

    def statuses(self):
        """What each request was answered with."""
        return [int(line.split()[-2]) for line in self.log.read_text().splitlines()]

    def __enter__(self):
        for _ in range(200):
            try:
                socket.create_connection(("127.0.0.1", self.port), timeout=1).close()
                return self
            except OSError:
                time.sleep(0.05)
        raise RuntimeError("the server does not come up")

    def __exit__(self, *_):
        """Ends it; from then on its log is whole."""
        self.process.terminate()
        self.process.wait(timeout=30)


def lighttpd(server, method, algorithm, hashed=""):
    """lighttpd with mod_auth; it checks MD5 and SHA-256."""
    folder = server.folder
    backend, line = "plain", f"{USER}:{WORD}"
    if hashed:
        # The user's name, the realm, the key, and the name as it is sent.
        key, name = (sha256(f"{USER}:{REALM}{more}") for more in (f":{WORD}", ""))
        backend, line = "htdigest", f"{USER}:{REALM}:{key}:{name}"
    (folder / "users").write_text(f"{line}\n")
    config = folder / "lighttpd.conf"
    config.write_text(f"""
server.modules = ("mod_accesslog", "mod_auth", "mod_authn_file", "mod_cgi")
server.document-root = "{folder}"
server.bind = "127.0.0.1"
server.port = {server.port}
server.errorlog = "{folder}/error.log"
accesslog.filename = "{server.log}"
accesslog.format = "%r %s -"
index-file.names = ("index.html")
mimetype.assign = (".html" => "text/html")
cgi.assign = ("/radio" => "{sys.executable}", "/keep" => "{sys.executable}", "/anew" => "{sys.executable}")
auth.backend = "{backend}"
auth.backend.{backend}.userfile = "{folder}/users"
auth.require = ("/deck" => ("method" => "{method}", "realm" => "{REALM}", "require" => "valid-user",
  "algorithm" => "{algorithm}", "userhash" => "{'enable' if hashed else 'disable'}"))
""")
    return ["lighttpd", "-D", "-f", config]


def sha256(text):
    return hashlib.sha256(text.encode()).hexdigest()


def apache(server, method, *directives):
    """Apache with mod_auth_basic or mod_auth_digest, which knows MD5 alone."""
    folder = server.folder
    key = hashlib.md5(f"{USER}:{REALM}:{WORD}".encode()).hexdigest()
    (folder / "digests").write_text(f"{USER}:{REALM}:{key}\n")
    sha1 = hashlib.sha1(WORD.encode()).digest()
    (folder / "users").write_text(f"{USER}:{{SHA}}{base64.b64encode(sha1).decode()}\n")
    modules = "mpm_event authn_core authn_file authz_core authz_user auth_basic auth_digest cgid dir mime"
    load = "\n".join(
        f"LoadModule {name}_module /usr/lib/apache2/modules/mod_{name}.so" for name in modules.split()
    )
    provider = {"Basic": f"AuthUserFile {folder}/users", "Digest": f"AuthUserFile {folder}/digests"}
    config = folder / "apache.conf"
    config.write_text(f"""
ServerRoot {folder}
ServerName 127.0.0.1
Listen 127.0.0.1:{server.port}
PidFile {folder}/apache.pid
DefaultRuntimeDir {folder}
{load}
ScriptSock {folder}/cgid.sock
ErrorLog {folder}/error.log
LogFormat "%r %>s -" short
CustomLog {server.log} short
DocumentRoot {folder}
DirectoryIndex index.html
TypesConfig /dev/null
AddType text/html .html
<Directory {folder}>
  Require all granted
</Directory>
<Directory {folder}/deck>
  Options +ExecCGI
  SetHandler cgi-script
  AuthType {method}
  AuthName {REALM}
  Auth{method}Provider file
  {provider[method]}
  {chr(10).join(directives)}
  Require valid-user
</Directory>
""")
    return ["apache2", "-X", "-f", config]


# Each server in each of its ways.
SERVERS = [
    ("lighttpd, Basic", lighttpd, "basic", ""),
    ("lighttpd, Digest with MD5", lighttpd, "digest", "MD5"),
    ("lighttpd, Digest with SHA-256", lighttpd, "digest", "SHA-256"),
    ("lighttpd, Digest with both", lighttpd, "digest", "MD5|SHA-256"),
    ("lighttpd, Digest with a hashed name", lighttpd, "digest", "SHA-256", "hashed"),
    ("Apache, Basic", apache, "Basic"),
    ("Apache, Digest", apache, "Digest"),
    ("Apache, Digest with a nonce for one request", apache, "Digest", "AuthDigestNonceLifetime 0"),
]


def login_file(folder, word):
    file = Path(folder) / "login"
    file.touch(mode=0o600)
    file.write_text(f"{USER}\n{word}\n")
    return file


def check(tally, program, name, kind, *words):
    is_basic = words[0].lower() == "basic"

    @contextmanager
    def there(word):
        with tempfile.TemporaryDirectory() as place, tempfile.TemporaryDirectory() as data:
            profile = Path(data) / "guarded.toml"
            text = (HERE / "guarded.toml").read_text()
            profile.write_text(text.replace("digest = true", "basic = true") if is_basic else text)
            server = Server(place, kind, *words)
            with server:
                device = ["--at", server.at, "--profile", profile, "--limit", "leave-s=0.5"]
                linkmend = Linkmend(program, Path(data) / "journal")
                yield server, linkmend, device, ["--login-file", login_file(data, word)]
            server.answered = server.statuses()

    with there(WORD) as (server, linkmend, device, login):
        said = linkmend("read", "--json", *device, *login)
        settings = {one: value.get("value") for one, value in said.json["settings"].items()}
        wanted = {"name": "Dunlin", "model-lock": 7}
        tally.equal(f"{name}: read", (said.code, settings), (0, wanted), said)

        said = linkmend("unlock", "--yes", "--json", *device, *login)
        change = said.json.get("changes", [{}])[0]
        found = said.code, said.json.get("outcome"), change.get("proof")
        tally.equal(f"{name}: unlock", found, (0, "done", "after-restart"), said)
        wanted = AT_FIRST | {"held": None, "boots": 2, "writes": 1}
        tally.equal(f"{name}: the lock alone is cleared, once", server.truth(), wanted)

        said = linkmend("read", "--json", *device)
        found = said.code, said.json["error"]["code"]
        tally.equal(f"{name}: without a login", found, (2, "login-missing"), said)
    if "one request" not in name:
        # Each of the two runs asks once for the challenge.
        refused = server.answered.count(401)
        tally.equal(f"{name}: no more is refused than must be", refused, 0 if is_basic else 2)

    with there("heron-on-two-legs") as (server, linkmend, device, login):
        said = linkmend("unlock", "--yes", "--json", *device, *login)
        found = said.code, said.json["error"]["code"]
        tally.equal(f"{name}: a wrong password", found, (6, "login-refused"), said)
        tally.holds(f"{name}: it is not shown", "two-legs" not in said.stdout + said.stderr)
        tally.equal(f"{name}: nothing is written", server.truth(), AT_FIRST)
    wanted = [200, 401] if is_basic else [200, 401, 401]
    tally.equal(f"{name}: it is told once", server.answered, wanted)


def main():
    program = sys.argv[1] if len(sys.argv) > 1 else HERE.parents[1] / "target/debug/linkmend"
    tally = Tally()
    said = Linkmend(program, "/nonexistent")("profile", "check", HERE / "guarded.toml")
    tally.equal("the profile is sound", said.code, 0, said)
    for server in SERVERS:
        check(tally, program, *server)
    return tally.close()


if __name__ == "__main__":
    sys.exit(main())
