"""The controls of the panel and the words on them; what they do is in the panel itself."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import ipywidgets

ALL = "all together"
METHODS = ("exposure", "annulus", "surface", "wings", "none")
_WIDE = {"description_width": "11.5em"}


@dataclass(frozen=True, kw_only=True)
class Controls:
    """Every widget that a hand or the keyboard can reach, and the two lines of text.

    Parameters
    ----------
    measurement, exposure
        What to look at.
    background, reference_mm
        How to measure it.
    x, y
        The center in pixels.
    steps
        Buttons that move the center by a pixel, by (x, y) step.
    found
        Button: back to the center that the campaign's rule finds.
    person, reason
        Who decides, and why.
    keep_center, keep_background, leave_out
        Buttons that record a decision.
    numbers, said
        HPD and the rest; what was done last, or what is wrong.
    """

    measurement: "ipywidgets.Dropdown"
    exposure: "ipywidgets.Dropdown"
    background: "ipywidgets.Dropdown"
    reference_mm: "ipywidgets.FloatText"
    x: "ipywidgets.FloatText"
    y: "ipywidgets.FloatText"
    steps: "dict[tuple[int, int], ipywidgets.Button]"
    found: "ipywidgets.Button"
    person: "ipywidgets.Text"
    reason: "ipywidgets.Text"
    keep_center: "ipywidgets.Button"
    keep_background: "ipywidgets.Button"
    leave_out: "ipywidgets.Button"
    numbers: "ipywidgets.HTML"
    said: "ipywidgets.HTML"


def make_controls(measurements: tuple[str, ...], person: str) -> Controls:
    """Return the widgets, nothing connected yet."""
    import ipywidgets as w  # noqa: PLC0415 - only in a notebook

    def number(words: str, step: float) -> w.FloatText:
        return w.FloatText(
            description=words, step=step, style=_WIDE, layout=w.Layout(width="21em")
        )

    def choice(words: str, options: tuple[str, ...]) -> w.Dropdown:
        return w.Dropdown(
            description=words, options=options, style=_WIDE, layout=w.Layout(width="26em")
        )

    def button(words: str, tip: str, width: str = "auto") -> w.Button:
        return w.Button(description=words, tooltip=tip, layout=w.Layout(width=width))

    names = {(-1, 0): ("←", "left"), (1, 0): ("→", "right"),
             (0, 1): ("↑", "up"), (0, -1): ("↓", "down")}  # fmt: skip
    return Controls(
        measurement=choice("measurement", measurements),
        exposure=choice("exposure", (ALL,)),
        background=choice("background", METHODS),
        reference_mm=number("reference radius, mm", 0.1),
        x=number("center x, pixel", 0.1),
        y=number("center y, pixel", 0.1),
        steps={
            step: button(f"{sign} {way}", f"move the center one pixel {way}")
            for step, (sign, way) in names.items()
        },
        found=button("center as found", "back to the center that the rule finds"),
        person=w.Text(description="who decides", value=person, style=_WIDE),
        reason=w.Text(
            description="why", style=_WIDE, layout=w.Layout(width="40em"), value=""
        ),
        keep_center=button("record this center", "add a decision: this center"),
        keep_background=button("record this background", "add a decision: this method"),
        leave_out=button("leave this exposure out", "add a decision: exclude it"),
        numbers=w.HTML(),
        said=w.HTML(),
    )


def laid_out(controls: Controls, canvas: "ipywidgets.Widget") -> "ipywidgets.VBox":
    """Return the panel: choices on top, pictures, numbers, then decisions."""
    import ipywidgets as w  # noqa: PLC0415

    c = controls
    wrapped = w.Layout(flex_flow="row wrap")
    return w.VBox(
        [
            w.HBox([c.measurement, c.exposure], layout=wrapped),
            w.HBox([c.background, c.reference_mm], layout=wrapped),
            w.HBox([c.x, c.y, *c.steps.values(), c.found], layout=wrapped),
            c.numbers,
            c.said,
            canvas,
            w.HBox([c.person, c.reason], layout=wrapped),
            w.HBox([c.keep_center, c.keep_background, c.leave_out], layout=wrapped),
        ]
    )
