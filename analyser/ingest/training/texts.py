"""Random texts as read-outs show them: numbers with units, clocks, a few words."""

from __future__ import annotations

import numpy as np

UNITS = (
    "m", "km", "Mm", "ft", "kft", "nmi", "m/s", "km/s", "km/h", "ft/s", "ft/min", "kn", "kg", "t", "lb", "%", "°", "deg", "g",
    "m/s²", "s", "min", "h", "d", "M", "KM", "M/S", "KM/S", "KG", "MM", "K", "k", "rad", "mm", "KN", "FT", "MI", "mi", "mph", "kt",
)  # fmt: skip


def random_text(dice: np.random.Generator, plain: bool = False) -> str:
    """A text for a read-out; ``plain``: only what seven segments can show."""
    kind = dice.random()
    if kind < 0.015:  # a gauge that has nothing to show
        return str(dice.choice(["----", "---", "--", "-----", "--:--:--", "---.-", "- - -", "--.--"][: 4 if plain else 8]))
    if kind < 0.65 or (plain and kind < 0.75):
        return number(dice, plain)
    if kind < 0.92 or plain:
        return clock(dice, plain)
    if kind < 0.96:
        return place(dice)
    letters = "ABCDEFGHIJKLMNOPQRSTUVWXYZ" if dice.random() < 0.5 else "abcdefghijklmnopqrstuvwxyz"
    word = "".join(dice.choice(list(letters), size=dice.integers(2, 9)))
    return word.capitalize() if dice.random() < 0.3 else word


def place(dice: np.random.Generator, wide: bool | None = None) -> str:
    """A latitude (``wide`` false) or longitude as panels show them, a letter for the side."""
    wide = dice.random() < 0.5 if wide is None else wide
    letter = "EW"[dice.integers(2)] if wide else "NS"[dice.integers(2)]
    degrees = int(dice.integers(0, 180 if wide else 90))
    width = int(dice.choice([1, 3 if wide else 2]))
    form = dice.random()
    sign = "°" if dice.random() < 0.6 else ""
    if form < 0.7:
        text = f"{degrees:0{width}d}"
        decimals = int(dice.choice([0, 1, 2, 3, 4], p=[0.1, 0.25, 0.4, 0.15, 0.1]))
        text += ("." + digits(dice, decimals) if decimals else "") + sign
    else:
        text = f"{degrees:0{width}d}°" + (" " if dice.random() < 0.3 else "") + f"{dice.integers(60):02d}"
        text += ("." + digits(dice, int(dice.integers(1, 3))) if dice.random() < 0.4 else "") + "'"
    space = " " if dice.random() < 0.4 else ""
    return letter + space + text if dice.random() < 0.2 else text + space + letter


def digits(dice: np.random.Generator, count: int) -> str:
    """``count`` digits; sometimes with runs of the same one, which a reader tends to lose."""
    if dice.random() < 0.2:
        text = ""
        while len(text) < count:
            text += str(dice.integers(10)) * int(dice.integers(1, 5))
        return text[:count]
    return "".join(str(digit) for digit in dice.integers(0, 10, size=count))


def number(dice: np.random.Generator, plain: bool) -> str:
    """A number with or without sign, decimals, separators and unit."""
    whole = digits(dice, int(dice.choice([1, 2, 3, 4, 5, 6, 7], p=[0.17, 0.2, 0.23, 0.17, 0.12, 0.07, 0.04])))
    if dice.random() < 0.85:
        whole = whole.lstrip("0") or "0"
    mark = "," if dice.random() < 0.18 and not plain else "."
    if len(whole) > 3 and dice.random() < 0.3 and not plain:
        separator = dice.choice([" ", "'", "." if mark == "," else ","], p=[0.3, 0.15, 0.55])
        head = len(whole) % 3 or 3
        whole = separator.join([whole[:head], *(whole[i : i + 3] for i in range(head, len(whole), 3))])
    decimals = int(dice.choice([0, 1, 2, 3, 4], p=[0.33, 0.28, 0.22, 0.12, 0.05]))
    text = whole + (mark + digits(dice, decimals) if decimals else "")
    sign = dice.random()
    if sign < 0.25:
        text = "-" + (" " if dice.random() < 0.1 else "") + text
    elif sign < 0.33:
        text = "+" + text
    if not plain and dice.random() < 0.5:
        text += (" " if dice.random() < 0.7 else "") + str(dice.choice(UNITS))
    return text


def clock(dice: np.random.Generator, plain: bool) -> str:
    """A clock, with days, a prefix, tenths or letters at times."""
    two = lambda limit: f"{dice.integers(limit):02d}"  # noqa: E731
    if not plain and dice.random() < 0.12:
        space = " " if dice.random() < 0.6 else ""
        text = space.join([f"{dice.integers(1, 30)}d", f"{two(24)}h", f"{two(60)}m", f"{two(60)}s"][int(dice.integers(0, 3)) :])
    else:
        text = ":".join([two(100) if dice.random() < 0.2 else two(24), two(60), two(60)])
        kind = dice.random()
        if kind < 0.12:
            text = text[3:]
        elif kind < 0.22:
            text = digits(dice, 3) + text[2:]
        elif kind < 0.42:
            days = str(dice.integers(0, 500)) if dice.random() < 0.7 else f"{dice.integers(0, 400):03d}"
            joint = dice.choice([" ", ":", "/"]) if plain else dice.choice(["d ", "d", " ", ":", "/", "D "], p=[0.4, 0.15, 0.15, 0.1, 0.1, 0.1])
            text = days + joint + text
        if dice.random() < 0.15:
            text += "." + digits(dice, int(dice.integers(1, 4)))
    if plain:
        return text if dice.random() < 0.85 else "-" + text
    prefix = dice.random()
    if prefix < 0.3:
        text = str(dice.choice(["T+", "T-", "T+ ", "T- ", "T + ", "T "])) + text
    elif prefix < 0.4:
        text = str(dice.choice(["MET ", "GET ", "+", "-"])) + text
    return text
