"""How ``watch`` shows what it finds: a line a reading, or the whole screen redrawn."""

from __future__ import annotations

import json
import os
import shutil
import sys
import textwrap

from analyser.reporting.fix_text import apsides, fix_dict, fix_line, fix_text, interval
from analyser.units import format_met

_BOLD, _PLAIN = "\x1b[1m", "\x1b[0m"
_ENTER, _LEAVE = "\x1b[?1049h\x1b[?25l", "\x1b[?25h\x1b[?1049l"
_HOME, _REST_OF_LINE, _REST_OF_SCREEN = "\x1b[H", "\x1b[K", "\x1b[J"
_BULK = 20  # more new readings than this at once, and only the last is told in full


class View:
    """Prints what each look at the files brought. Plain lines where there is no terminal."""

    def __init__(self, options, goal_for, setup):
        self.options, self._goal_for, self._setup = options, goal_for, setup
        self.terminal = sys.stdout.isatty()
        self.bold = self.terminal and not os.environ.get("NO_COLOR") and os.environ.get("TERM") != "dumb"
        self.screen = options.screen and self.terminal and not options.json
        self.count = 0
        self._ringing = False
        self._lines: list[str] = []
        self._latest = None
        self._size = None

    def __enter__(self) -> "View":
        if self.screen:
            sys.stdout.write(_ENTER)
            self._redraw()
        elif not self.options.quiet and not self.options.json:
            self._print(f"watching {self.options.flight}; Ctrl-C ends", note=True)
        return self

    def __exit__(self, *_) -> None:
        if self.screen:
            sys.stdout.write(_LEAVE)
            sys.stdout.flush()

    def show(self, news, follower) -> None:
        """Take the new moments and tell what they mean; on an idle round only redraw where the window has changed."""
        if news.restarted:
            self._print("the table was edited: read again from its start", note=True)
        skipped = 0 if self.options.once else max(0, len(news.moments) - _BULK)
        if skipped:
            self._print(f"{skipped} readings at once before these", note=True)
        for index, moment in enumerate(news.moments):
            update = follower.take(moment, tell=index >= skipped)
            self.count += 1
            self._latest = update if update.fix is not None or self._latest is None else self._latest
            if index >= skipped:
                self._tell(update)
        for note in news.notes:
            self._print(note, note=True)
        if self.screen and (news.moments or news.notes or shutil.get_terminal_size() != self._size):
            self._redraw()

    def _tell(self, update) -> None:
        aim = self._aim(update)
        if self.options.json:
            found = {"met": update.moment.met, "source": update.moment.source, "row": update.moment.row, "body": update.body.name,
                     "kind": update.kind, "moments": update.moments, "unconfirmed": update.unconfirmed,
                     "odd": [{"column": odd.column, "value": odd.value, "expected": odd.expected.value, "suggestion": odd.suggestion} for odd in update.odd],
                     "fix": fix_dict(update.fix, aim) if update.fix else None, "reason": update.reason}  # fmt: skip
            print(json.dumps(found, allow_nan=False), flush=True)
            return
        self._print(_line(update, aim), alarm=self._alarm(update))

    def _aim(self, update):
        goal = self._goal_for(update.body.name) if update.fix is not None and update.kind not in ("air", "landed") else None
        if goal is None or goal.kind == "landed" or not update.fix.vertical_speed.known:
            return None
        from analyser.errors import InputError
        from analyser.fitting.corrections import aim

        try:
            return aim(update.fix, goal, self._setup.world)
        except InputError:
            return None  # the goal is about a body that this coast doesn't reach: nothing to say yet

    def _alarm(self, update) -> bool:
        """Whether this reading is the first of those that meet the ground."""
        meets = update.fix is not None and update.fix.ground.chance == 1 and update.kind != "odd"
        first, self._ringing = meets and not self._ringing, meets
        return first

    def _print(self, text: str, note: bool = False, alarm: bool = False) -> None:
        if self.options.json:
            if note:
                print(text, file=sys.stderr, flush=True)
            return
        if note and self.options.quiet:
            return
        width = max(20, shutil.get_terminal_size().columns) if self.terminal else 80
        wrapped = textwrap.wrap(text, width, subsequent_indent="    ") or [""]
        if alarm and self.terminal and not self.options.no_bell:
            sys.stdout.write("\a")
        if self.screen:
            self._lines = [*self._lines, *wrapped][-200:]
            return
        for line in wrapped:
            print(f"{_BOLD}{line}{_PLAIN}" if alarm and self.bold else line)
        sys.stdout.flush()

    def _redraw(self) -> None:
        self._size = shutil.get_terminal_size()
        width, height = max(20, self._size.columns), max(4, self._size.lines)
        body: list[str] = []
        if self._latest is not None and self._latest.fix is not None:
            clock = f"{format_met(self._latest.moment.met)}, reading {self.count}"
            text = fix_text(self._latest.fix, self._aim(self._latest))
            body = [clock, *(part for line in text.splitlines() for part in (textwrap.wrap(line, width, subsequent_indent="    ") or [""]))]
        else:
            body = [f"watching {self.options.flight}: no reading yet. Ctrl-C ends"]
        room = max(0, height - len(body) - 2)
        shown = [*body[: height - 1], *(["", *self._lines[-room:]] if room and self._lines else [])]
        # Written over in place and in one go, so that nothing flickers; what was longer before is wiped line by line.
        lines = [self._marked(line[:width]) + _REST_OF_LINE for line in shown[: height - 1]]
        sys.stdout.write(_HOME + "\n".join(lines) + _REST_OF_SCREEN)
        sys.stdout.flush()

    def _marked(self, line: str) -> str:
        return f"{_BOLD}{line}{_PLAIN}" if self.bold and any(word in line for word in ("GROUND", "MISREAD?", "TOO LATE", "OVERSHOT")) else line


def _line(update, aim) -> str:
    head = f"{format_met(update.moment.met)} {update.body.name}:"
    parts = []
    if update.kind in ("burn", "air"):
        parts.append({"burn": "burning", "air": "in the air"}[update.kind])
    if update.kind == "changed":
        parts.append(update.reason or (f"changed by {interval(update.change)}" if update.change else "changed"))
    for odd in update.odd:
        unit = odd.expected.unit
        hint = f", perhaps {odd.suggestion}" if odd.suggestion else ""
        parts.append(f"MISREAD? {odd.column.replace('_', ' ')} {odd.value:.6g} {unit} where {odd.expected.value:.6g} fits{hint}; or a burn has begun")
    if update.fix is None:
        parts.append(update.reason or "not enough to tell yet")
        return f"{head} {'; '.join(parts)}"
    parts.append(fix_line(update.fix, _aim_words(aim)))
    if update.before is not None and apsides(update.before) != apsides(update.fix):
        parts.append(f"before: {apsides(update.before)}")
    if update.fix.advice and update.moments == 1:
        parts.append(update.fix.advice[0])
    if update.unconfirmed:
        parts.append("unconfirmed until the next reading")
    if update.moments > 1:
        parts.append(f"{update.moments} readings")
    return f"{head} {'; '.join(parts)}"


def _aim_words(aim) -> str:
    if aim is None:
        return ""
    if aim.verdict == "reached":
        return "goal reached"
    known = [one for one in aim.corrections if not one.reason]
    if not known:
        return f"goal {'open' if aim.verdict == 'open' else 'not from here: ' + next((one.reason for one in reversed(aim.corrections)), '')}"
    # Of ways that cost the same within 1 m/s the one that does most of it in its first burn is the plainer.
    least = min(known, key=lambda one: (round(one.total.value), -one.delta_v.value))
    word = "OVERSHOT, back " if aim.verdict == "beyond" else "goal "
    rest = least.total.value - least.delta_v.value
    size = f"{least.delta_v.value:.1f}+{rest:.1f}" if rest > 0.05 else f"{least.delta_v.value:.1f}"
    return f"{word}{size} m/s {least.direction.split(' (')[0].split(' along')[0]} {least.where}"
