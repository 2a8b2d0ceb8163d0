"""The inspection panel: a measurement under the hand, its HPD following every change."""

import asyncio
import html
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import astropy.units as u

from beamreduce.campaign import Campaign, read_campaign
from beamreduce.campaign.decisions import DECISIONS_FILE, add_decision
from beamreduce.errors import BeamreduceError, SettingsError
from beamreduce.figures import marks_of, new_figure, report_style
from beamreduce.figures.panel import (
    PANEL_HEIGHT_CM,
    PANEL_WIDTH_CM,
    PanelArtists,
    draw_panel,
    follow_center,
)
from beamreduce.panel.controls import ALL, laid_out, make_controls
from beamreduce.panel.hand import Hand, in_kernel, live_canvas
from beamreduce.panel.opened import Opened, open_again, open_measurement
from beamreduce.panel.reading import Reading, read_about
from beamreduce.record import rounded

if TYPE_CHECKING:
    import ipywidgets
    from matplotlib.figure import Figure

_REST_S = 0.5  # without a move, after which all is worked out and drawn anew
_FIRST_REFERENCE = 0.8  # of the largest circle, where the campaign gives none


class InspectionPanel:
    """One measurement at a time, in a notebook.

    It holds what is being looked at; every number comes from the functions that ``reduce``
    uses. While the center moves the background stays as it was found; half a second after
    the last move all is done again about the new center, as ``reduce`` would do it.

    Parameters
    ----------
    campaign
        As read.
    decisions
        Table of decisions to add to; made with the first one.
    person
        Who decides, to begin with.
    measurement
        To begin with.

    Attributes
    ----------
    widget
        What to show.
    opened, reading
        The image now, and its numbers; None where it cannot be had.
    """

    def __init__(
        self, campaign: Campaign, decisions: Path, person: str, measurement: str
    ) -> None:
        self.campaign, self.decisions = campaign, Path(decisions)
        self.opened: Opened | None = None
        self.reading: Reading | None = None
        self.settled = False
        self._artists: PanelArtists | None = None
        self._waiting: asyncio.TimerHandle | None = None
        self._filling = False
        self._origin = (0.0, 0.0)
        self.controls = make_controls(tuple(m.id for m in campaign.measurements), person)
        self.controls.measurement.value = measurement
        self.canvas = live_canvas()
        self.widget: ipywidgets.VBox = laid_out(self.controls, self.canvas)
        self._in_kernel = in_kernel()
        self._hand = Hand(
            lambda: self._artists, place=self.move, step=self._step, rest=self.settle
        )
        self._connect()
        self._list_exposures()
        self.open()

    # What the controls do.

    def open(self) -> None:
        """Read the chosen measurement or exposure, its center as the rule finds it."""
        c = self.controls

        def work() -> None:
            exposure = None if c.exposure.value == ALL else c.exposure.value
            opened = open_measurement(self.campaign, c.measurement.value, exposure)
            self._fill(
                x=round(opened.located.center.x, 2),
                y=round(opened.located.center.y, 2),
                background=opened.background_method,
                reference_mm=self._reference_mm(opened),
            )
            self._origin = opened.located.center.xy
            self._take(opened, self._origin)

        self._try(work)

    def move(self, x: float, y: float) -> None:
        """Put the center somewhere and follow with the numbers at once."""

        def work() -> None:
            if self.opened is None:
                return
            self._fill(x=round(x, 2), y=round(y, 2))
            self.reading = read_about(self.opened, (x, y), self._reference)
            self.settled = False
            self._tell_numbers()
            if self._artists is not None:
                marks = self._marks(self.reading)
                follow_center(self._artists, (x, y), marks, self.reading.curve)
                self.canvas.draw_idle()

        if self._try(work):
            self._settle_soon()
        elif self.reading is not None:  # the center stays where it was
            x, y = self.reading.center_xy
            self._fill(x=round(x, 2), y=round(y, 2))

    def settle(self) -> None:
        """Do all of it again with what the controls say, as ``reduce`` would."""
        if self._waiting is not None:
            self._waiting.cancel()
            self._waiting = None
        c = self.controls

        def work() -> None:
            if self.opened is None:
                return
            xy = (c.x.value, c.y.value)
            again = open_again(
                self.opened,
                center_xy=xy,
                background=c.background.value,
                reference_radius=self._reference,
            )
            self._take(again, xy)

        self._try(work, quiet=True)

    def record(self, action: str) -> None:
        """Add a decision to the table: ``center``, ``background`` or ``exclude``."""
        c = self.controls

        def work() -> None:
            if self.reading is None:
                raise SettingsError("there is nothing to decide about: no image is shown")
            item, value = c.measurement.value, ""
            if action == "center":
                value = "{:.2f} {:.2f}".format(*self.reading.center_xy)
            elif action == "background":
                value = c.background.value
            elif c.exposure.value == ALL:
                raise SettingsError("choose one exposure first; got all of them together")
            else:
                item = c.exposure.value
            about = (item, action, value)
            person, reason = c.person.value, c.reason.value
            if not person.strip() or not reason.strip():
                raise SettingsError("a decision needs who decides, and why; fill in both")
            one = add_decision(self.decisions, about, person=person, reason=reason)
            self._say(
                f"decision {one.order} in {self.decisions}: {action} {item} {value}; "
                f"reduce with --decisions {self.decisions}"
            )

        self._try(work)

    def picture(self) -> "Figure":
        """Return what the panel shows as a figure that needs no kernel."""
        with report_style():
            figure = new_figure(width_cm=PANEL_WIDTH_CM, height_cm=PANEL_HEIGHT_CM)
            self._draw_on(figure)
        return figure

    # How it is done.

    @property
    def _reference(self) -> u.Quantity:
        value = self.controls.reference_mm.value
        if not value > 0:
            raise SettingsError(f"reference radius must be above zero; got {value:g} mm")
        return value * u.mm

    def _reference_mm(self, opened: Opened) -> float:
        """Keep a radius that fits; else the campaign's, else most of the frame."""
        largest = float(opened.largest_radius.to_value(u.mm))
        asked = self.campaign.setup.reduction.reference_radius
        first = _FIRST_REFERENCE * largest
        if asked is not None:
            first = min(float(asked.to_value(u.mm)), largest)
        before = self.controls.reference_mm.value
        return before if 0 < before <= largest else round(first - 0.0005, 3)

    def _take(self, opened: Opened, center_xy: tuple[float, float]) -> None:
        """Show an image and its numbers; nothing changes where they cannot be had."""
        reading = read_about(opened, center_xy, self._reference)
        self.opened, self.reading, self.settled = opened, reading, True
        self._tell_numbers()
        with report_style():
            figure = self.canvas.figure
            figure.clear()
            figure.set_layout_engine("constrained")
            self._artists = self._draw_on(figure)
            # The axes go to their places now, and stay: a hand may come before the browser
            # asks for the picture, and would then meet axes that are not where they are
            # seen; and they must not move under a hand that drags.
            figure.draw_without_rendering()
            figure.set_layout_engine("none")
        self.canvas.draw_idle()

    def _draw_on(self, figure: "Figure") -> PanelArtists | None:
        if self.opened is None or self.reading is None:
            return None
        located, reading = self.opened.located, self.reading
        return draw_panel(
            figure,
            (located.image, located.net.photons, self._origin),
            reading.center_xy,
            self._marks(reading),
            (reading.profile, reading.curve),
        )

    def _marks(self, reading: Reading) -> object:
        distance = self.opened.located.image.detector_distance
        return marks_of(reading.diameters, detector_distance=distance)

    def _tell_numbers(self) -> None:
        r = self.reading
        state = "as reduce gives it" if self.settled else "background not yet about it"
        self.controls.numbers.value = (
            f'<p role="status" style="font-size:1.15em">'
            f"<b>HPD {rounded(r.hpd_arcsec)} arcsec</b>, W90 {rounded(r.w90_arcsec)} "
            f"arcsec, {r.net_photons:.0f} net photons inside "
            f"{r.reference_radius.to_value(u.mm):.4g} mm; center "
            f"({r.center_xy[0]:.2f}, {r.center_xy[1]:.2f}); background by "
            f"{self.opened.background_method} ({state}). "
            f"± is counting and background, one standard uncertainty.</p>"
        )

    def _say(self, text: str, *, wrong: bool = False) -> None:
        mark, role = ("Not done: ", "alert") if wrong else ("", "status")
        self.controls.said.value = f'<p role="{role}">{mark}{html.escape(text)}</p>'

    def _try(self, work: Callable[[], None], *, quiet: bool = False) -> bool:
        """Do something; what goes wrong is said in the panel, never as a traceback.

        What was said before goes, but not for what happens by itself (``quiet``).
        """
        if not quiet:
            self._say("")
        try:
            work()
        except BeamreduceError as error:
            self._say(str(error), wrong=True)
            return False
        return True

    @contextmanager
    def _unheard(self) -> Iterator[None]:
        """Let controls change in here without their doing anything."""
        self._filling = True
        try:
            yield
        finally:
            self._filling = False

    def _fill(self, **values: object) -> None:
        with self._unheard():
            for name, value in values.items():
                getattr(self.controls, name).value = value

    def _settle_soon(self) -> None:
        if self._waiting is not None:
            self._waiting.cancel()
            self._waiting = None
        if self._hand.held:
            return
        if not self._in_kernel:  # nobody who waits
            self.settle()
            return
        loop = asyncio.get_running_loop()
        self._waiting = loop.call_later(_REST_S, self.settle)

    def _list_exposures(self) -> None:
        chosen = self.controls.measurement.value
        inputs = next(m for m in self.campaign.measurements if m.id == chosen)
        names = [row.exposure.exposure for row in inputs.beam]
        with self._unheard():
            self.controls.exposure.options = (ALL, *names)
            self.controls.exposure.value = ALL

    def _connect(self) -> None:
        c = self.controls

        def when(widget: "ipywidgets.Widget", act: Callable[[], None]) -> None:
            widget.observe(lambda _: None if self._filling else act(), names="value")

        def other_measurement() -> None:
            self._list_exposures()
            self.open()

        when(c.measurement, other_measurement)
        when(c.exposure, self.open)
        when(c.background, self.settle)
        for widget in (c.x, c.y, c.reference_mm):
            when(widget, lambda: self.move(c.x.value, c.y.value))
        for step, button in c.steps.items():
            button.on_click(lambda _, step=step: self._step(*step))
        c.found.on_click(lambda _: self.open())
        c.keep_center.on_click(lambda _: self.record("center"))
        c.keep_background.on_click(lambda _: self.record("background"))
        c.leave_out.on_click(lambda _: self.record("exclude"))
        self._hand.connect(self.canvas)

    def _step(self, dx: float, dy: float) -> None:
        self.move(self.controls.x.value + dx, self.controls.y.value + dy)


def inspection_panel(
    campaign_folder: Path | str,
    *,
    measurement: str | None = None,
    decisions: Path | str | None = None,
    person: str = "",
) -> InspectionPanel:
    """Open a campaign in a panel; show its ``widget`` in a notebook.

    Parameters
    ----------
    campaign_folder
        The campaign.
    measurement
        To begin with; None takes the first.
    decisions
        Table of decisions to add to; None takes ``decisions.ecsv`` in the present folder,
        never one inside the campaign.
    person
        Who decides, to begin with.

    Raises
    ------
    CampaignError
        When the campaign cannot be read, or has no measurement.
    SettingsError
        When there is no such measurement, or the table of decisions would lie in the
        campaign.
    """
    folder = Path(campaign_folder)
    campaign = read_campaign(folder, growing=True)
    if not campaign.measurements:
        raise SettingsError(
            f"{folder}: found no measurement to look at; expected beam exposures with "
            f"frames; check exposures.ecsv"
        )
    ids = [one.id for one in campaign.measurements]
    if measurement is not None and measurement not in ids:
        raise SettingsError(
            f"found no measurement named {measurement!r}; expected one of "
            f"{', '.join(ids)}; choose one of them"
        )
    table = Path(decisions) if decisions is not None else Path(DECISIONS_FILE)
    if table.resolve().is_relative_to(folder.resolve()):
        raise SettingsError(
            f"{table}: found a place inside the campaign folder, which is never written; "
            f"expected another; name a table elsewhere"
        )
    return InspectionPanel(campaign, table, person, measurement or ids[0])
