"""Mouse and keyboard on the panel's pictures, and the live canvas they are drawn on."""

import time
import warnings
from collections.abc import Callable
from typing import TYPE_CHECKING

from beamreduce.errors import SettingsError
from beamreduce.figures.panel import PANEL_HEIGHT_CM, PANEL_WIDTH_CM, PanelArtists

if TYPE_CHECKING:
    import ipywidgets
    from matplotlib.backend_bases import KeyEvent, MouseEvent

_PAUSE_S = 0.05  # between two readings while a hand moves the center
_STEPS = {"left": (-1, 0), "right": (1, 0), "up": (0, 1), "down": (0, -1)}


class Hand:
    """What a hand does on the image: press, drag, let go; or arrow keys.

    Parameters
    ----------
    artists
        Returns what is drawn now; None where nothing is.
    place
        Puts the center at x, y in pixels.
    step
        Moves it by dx, dy in pixels.
    rest
        Called when the hand lets go.

    Attributes
    ----------
    held
        True while the center is under the hand.
    """

    def __init__(
        self,
        artists: Callable[[], PanelArtists | None],
        *,
        place: Callable[[float, float], None],
        step: Callable[[float, float], None],
        rest: Callable[[], None],
    ) -> None:
        self.held = False
        self._artists, self._place, self._step, self._rest = artists, place, step, rest
        self._last = 0.0

    def connect(self, canvas: "ipywidgets.Widget") -> None:
        """Listen to a canvas."""
        canvas.mpl_connect("button_press_event", self._press)
        canvas.mpl_connect("motion_notify_event", self._drag)
        canvas.mpl_connect("button_release_event", self._release)
        canvas.mpl_connect("key_press_event", self._key)

    def _press(self, event: "MouseEvent") -> None:
        if self._over_image(event):
            self.held = True
            self._to(event)

    def _drag(self, event: "MouseEvent") -> None:
        # Places the hand has left by the time they arrive here are passed over.
        late = time.monotonic() - self._last > _PAUSE_S
        if self.held and late and self._over_image(event):
            self._to(event)

    def _release(self, event: "MouseEvent") -> None:
        if self.held:
            if self._over_image(event):
                self._to(event)
            self.held = False
            self._rest()

    def _key(self, event: "KeyEvent") -> None:
        name = str(event.key)
        step = _STEPS.get(name.removeprefix("shift+"))
        if step is not None:
            size = 0.1 if name.startswith("shift+") else 1.0
            self._step(step[0] * size, step[1] * size)

    def _over_image(self, event: "MouseEvent") -> bool:
        artists = self._artists()
        return artists is not None and event.inaxes is artists.image_axes

    def _to(self, event: "MouseEvent") -> None:
        artists = self._artists()
        offsets_mm = (event.xdata, event.ydata)
        x, y = (
            origin + offset / artists.pixel_mm
            for origin, offset in zip(artists.origin_xy, offsets_mm, strict=True)
        )
        self._place(x, y)
        self._last = time.monotonic()


def live_canvas() -> "ipywidgets.Widget":
    """Return a live canvas with an empty figure that pyplot knows nothing of.

    Raises
    ------
    SettingsError
        When ipympl is not installed.
    """
    try:
        from ipympl.backend_nbagg import Canvas, FigureManager  # noqa: PLC0415
    except ImportError:
        raise SettingsError(
            "the panel needs ipympl and ipywidgets, which are not installed; install "
            "beamreduce with its notebook extra, or use the static figures"
        ) from None
    from matplotlib.figure import Figure  # noqa: PLC0415

    figure = Figure(
        figsize=(PANEL_WIDTH_CM / 2.54, PANEL_HEIGHT_CM / 2.54),
        dpi=80,
        layout="constrained",
    )
    canvas = Canvas(figure)
    with warnings.catch_warnings():
        # ipympl hands its toolbar's arguments on to traitlets, which minds.
        warnings.simplefilter("ignore", DeprecationWarning)
        FigureManager(canvas, 0)
    canvas.toolbar_visible = canvas.header_visible = canvas.footer_visible = False
    canvas.resizable = False
    return canvas


def in_kernel() -> bool:
    """True where a kernel's loop takes what hands do, one message after the other."""
    from IPython import get_ipython  # noqa: PLC0415

    return getattr(get_ipython(), "kernel", None) is not None
