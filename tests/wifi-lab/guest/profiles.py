"""A family's profile as a scenario needs it: shorter waits, another security of its network.

All else is the profile that the program comes with, so that the lab proves that one.
"""

import re

WINDOW = re.compile(r"\b(opens-s|within-s) = \{ from = ([0-9.]+), to = ([0-9.]+) \}")
# A machine that is emulated on a busy computer takes some seconds for what takes none elsewhere.
SLACK_S = 15


def changed(text, speed, security=None, passphrase=None, bssid=None):
    """The same profile with each window's ends divided by `speed`, and with these words.

    `passphrase` empty: it has none.
    """
    text = _replace(WINDOW, lambda found: _shorter(found, speed), text)
    if security is not None:
        text = _replace(r'security = "[a-z0-9]+"', f'security = "{security}"', text)
    if passphrase is not None:
        with_it = f'passphrase = "{passphrase}", ' if passphrase else ""
        text = _replace(r'passphrase = "[^"]*", ', with_it, text)
    if bssid is not None:
        text = _replace(r'bssid = "[a-z]+"', f'bssid = "{bssid}"', text)
    return text


def _shorter(found, speed):
    key, start, end = found.group(1), float(found.group(2)), float(found.group(3))
    return f"{key} = {{ from = {int(start / speed)}, to = {int(end / speed) + SLACK_S} }}"


def _replace(pattern, by, text):
    text, count = re.subn(pattern, by, text)
    if count == 0:
        raise ValueError(f"the profile has no {pattern}")
    return text
