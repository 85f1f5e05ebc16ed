"""Reads so many settings from a page, as a script would with lxml.

    python read.py http://127.0.0.1:8080 30
"""

import json
import sys
import urllib.request

import lxml.html


def main():
    at, count = sys.argv[1], int(sys.argv[2])
    with urllib.request.urlopen(at + "/", timeout=10) as answer:
        page = lxml.html.fromstring(answer.read())
    settings = {}
    for number in range(count):
        (value,) = page.xpath(f"//form[@id='all']//input[@name='s{number}']/@value")
        settings[f"s{number}"] = value
    print(json.dumps(settings))


if __name__ == "__main__":
    main()
