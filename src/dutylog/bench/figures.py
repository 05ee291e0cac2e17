"""Sentences with figures in them, so that pages and paper show each in the reader's units."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from dutylog.domain.quantity import METRIC, US, quantity_text


@dataclass(frozen=True, slots=True)
class Figure:
    """A number within a sentence. kind: of domain.quantity; value: in that kind's unit."""

    kind: str
    value: float

    def text(self, system: str = METRIC) -> str:
        """Return it with its unit in one system (domain.quantity.SYSTEMS)."""
        return quantity_text(self.kind, self.value, system)


Sentence = tuple[str | Figure, ...]
"""Words and figures in the order in which they are read."""


def say(sentence: Iterable[str | Figure], system: str = METRIC) -> str:
    """Return a sentence in one system of units."""
    return "".join(part if isinstance(part, str) else part.text(system) for part in sentence)


def say_both(sentence: Iterable[str | Figure]) -> str:
    """Return a sentence for paper: where the systems differ, both, the other one in brackets."""
    texts = []
    for part in sentence:
        if isinstance(part, str):
            texts.append(part)
            continue
        metric, other = part.text(METRIC), part.text(US)
        texts.append(metric if metric == other else f"{metric} ({other})")
    return "".join(texts)


def percent(ratio: float) -> Figure:
    """Return a share as whole per cent."""
    return Figure("change_ratio", ratio)
