"""Prints what the first form of a page would be sent as, as a script would with lxml.

    python form.py PAGE.html
"""

import sys
import urllib.parse

import lxml.html


def main():
    page = lxml.html.parse(sys.argv[1]).getroot()
    sys.stdout.write(urllib.parse.urlencode(page.forms[0].form_values()))


if __name__ == "__main__":
    main()
