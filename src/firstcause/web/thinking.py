"""Thinking on while the technician works: one line of thought for each story, a little further with each call."""

from __future__ import annotations

import time
from collections import OrderedDict
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from threading import Lock

from firstcause.reasoning.lookahead import Thought
from firstcause.reasoning.weigh import Weighing

KEPT_THOUGHTS = 4
AT_A_TIME_S = 0.8


@dataclass
class _Line:
    thoughts: Iterator[Thought]
    last: Thought
    lock: Lock = field(default_factory=Lock)


class Thinking:
    """Lines of thought by story; a story that moved on is never thought about again, and is soon forgotten."""

    def __init__(self, now_s: Callable[[], float] = time.monotonic) -> None:
        self._now_s = now_s
        self._lines: OrderedDict[tuple[str, ...], _Line] = OrderedDict()
        self._lock = Lock()

    def further(self, key: tuple[str, ...], weighing: Weighing, seconds: float = AT_A_TIME_S) -> Thought:
        """Think on for about so long (at least one outcome further), and say where it stands."""
        line = self._line(key, weighing)
        with line.lock:
            begun = self._now_s()
            for thought in line.thoughts:
                line.last = thought
                if self._now_s() - begun >= seconds:
                    break
            return line.last

    def _line(self, key: tuple[str, ...], weighing: Weighing) -> _Line:
        with self._lock:
            if key not in self._lines:
                thoughts = weighing.think()
                self._lines[key] = _Line(thoughts, next(thoughts))
            self._lines.move_to_end(key)
            while len(self._lines) > KEPT_THOUGHTS:
                self._lines.popitem(last=False)
            return self._lines[key]
