"""How far a command is: a bar on a terminal, nothing elsewhere."""

import sys
from collections.abc import Callable


class ProgressBar:
    """A progress bar on a terminal, nothing elsewhere.

    Parameters
    ----------
    quiet
        Show nothing at all.
    """

    def __init__(self, quiet: bool) -> None:
        self._quiet = quiet or not sys.stderr.isatty()
        self._shown: object | None = None
        self._what = ""

    def __enter__(self) -> Callable[[str, int, int], None]:
        return self._tell

    def __exit__(self, *_: object) -> None:
        if self._shown is not None:
            self._shown.close()  # type: ignore[attr-defined]

    def _tell(self, what: str, done: int, total: int) -> None:
        if self._quiet:
            return
        from tqdm import tqdm  # noqa: PLC0415 - light start

        if self._shown is None or what != self._what:
            self.__exit__()
            self._shown = tqdm(total=total, desc=what, unit="")
            self._what = what
        self._shown.update(done - self._shown.n)  # type: ignore[attr-defined]
