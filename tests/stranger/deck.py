#!/usr/bin/env python3
"""The program behind the guarded loaner: a CGI (RFC 3875) that keeps a lock and a name in a file.

It knows no login; the web server in front of it does.
"""

import html
import json
import os
import sys
import urllib.parse
from pathlib import Path

KEPT = Path(__file__).resolve().parent / "kept.json"


def answer(status, text):
    print(f"Status: {status}\r\nContent-Type: text/html; charset=utf-8\r\n\r\n{text}", end="")


def main():
    kept = json.loads(KEPT.read_text())
    route = os.environ["REQUEST_METHOD"], Path(os.environ["SCRIPT_NAME"]).name
    query = os.environ.get("QUERY_STRING", "")
    body = sys.stdin.read(int(os.environ.get("CONTENT_LENGTH") or 0))
    if route == ("GET", "radio"):
        value = {name: html.escape(str(one or "")) for name, one in kept.items()}
        return answer(
            "200 OK",
            f"""<p id="plate">{value['plate']}</p><p id="boots">{value['boots']}</p>
<form id="radio" method="post" action="/deck/keep?way=1"><input name="called" value="{value['called']}">
<input name="held" value="{value['held']}"><button>Keep</button></form>""",
        )
    if route == ("POST", "keep") and query == "way=1":
        fields = dict(urllib.parse.parse_qsl(body, keep_blank_values=True))
        held = fields["held"]
        kept |= {"called": fields["called"], "held": int(held) if held else None}
        kept["writes"] += 1
    elif route == ("POST", "anew") and query == "sure=yes":
        kept["boots"] += 1
    else:
        return answer("404 Not Found", "<p>Nothing here.</p>")
    KEPT.write_text(json.dumps(kept))
    return answer("200 OK", "<p>Kept.</p>")


if __name__ == "__main__":
    main()
