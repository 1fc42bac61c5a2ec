"""Plots of the report as SVG; numbers in, markup out. Colours come from the style sheet, by class.

Shapes are made by the library svg.py, which writes text as it is given: what is not ours is escaped here.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import svg
from markupsafe import Markup, escape

from pipeline.records import Box

HIDDEN = {"aria-hidden": "true", "focusable": "false"}  # the same numbers stand beside every plot as text
BAR_HEIGHT = 10
LEAST_WIDTH = 0.4  # of a bar, in hundredths of the axis: a weight next to zero is still a line


@dataclass(frozen=True, slots=True)
class Axis:
    """An axis of decibans with zero in its middle."""

    reach: float

    @classmethod
    def holding(cls, values: Sequence[float], least: float = 10.0) -> Axis:
        """The axis that holds all `values` with a little room, and at least ±`least`."""
        return cls(1.05 * max(least, *(abs(value) for value in values), 0.0))

    def across(self, decibans: float) -> float:
        """Place on the axis, 0 to 100."""
        return round(50 + 50 * decibans / self.reach, 2)


def bar(axis: Axis, start: float, end: float, kind: str) -> Markup:
    """A bar from `start` to `end` (decibans) with a line at zero; `kind` is its class in the style sheet."""
    left, right = sorted((axis.across(start), axis.across(end)))
    width = round(max(right - left, LEAST_WIDTH), 2)
    zero = svg.Path(class_=["zero"], d=[svg.M(50, 0), svg.v(BAR_HEIGHT)])
    return _bars(zero, svg.Rect(class_=[kind], x=left, y=2, width=width, height=BAR_HEIGHT - 4))


def share(probability: float, kind: str) -> Markup:
    """A bar from the left edge whose length is a probability."""
    return _bars(svg.Rect(class_=[kind], x=0, y=2, width=round(100 * probability, 2), height=BAR_HEIGHT - 4))


def marked_places(
    width: int, height: int, boxes: Sequence[Box], left: int = 0, top: int = 0, covers: bool = False
) -> Markup:
    """Frames to lay over a picture of `width` × `height` pixels: dark under light, so that they show on any ground.

    `left`, `top`: where the picture was cut from the photo in whose pixels the boxes are. `covers`: the picture fills
    its place and is cut to it (`object-fit: cover` in the style sheet).
    """
    frames = [
        svg.Rect(class_=[kind], x=box.x, y=box.y, width=box.width, height=box.height)
        for kind in ("under", "over")
        for box in boxes
    ]
    return markup(
        svg.SVG(
            viewBox=svg.ViewBoxSpec(left, top, width, height),
            preserveAspectRatio=svg.PreserveAspectRatio("xMidYMid", "slice") if covers else None,
            extra=HIDDEN,
            elements=list(frames),
        )
    )


def markup(drawing: svg.SVG) -> Markup:
    """The drawing as it goes into a page."""
    drawing.xmlns = None  # a page of HTML needs none
    return Markup(drawing.as_str())


def plain(text: str) -> str:
    """Text for an element of svg.py."""
    return str(escape(text))


def _bars(*shapes: svg.Element) -> Markup:
    return markup(
        svg.SVG(
            class_=["bar"],
            viewBox=svg.ViewBoxSpec(0, 0, 100, BAR_HEIGHT),
            preserveAspectRatio=svg.PreserveAspectRatio("none"),
            extra=HIDDEN,
            elements=list(shapes),
        )
    )
