"""One notebook after another, each with its parameters, in a kernel without a window."""

import ast
import difflib
import re
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from beamreduce.errors import ResultsError, SettingsError

if TYPE_CHECKING:
    from nbformat import NotebookNode

_COLORS = re.compile(r"\x1b\[[0-9;]*m")


def read_notebook(path: Path) -> "NotebookNode":
    """Read a notebook.

    Raises
    ------
    ResultsError
        When it is missing, or no notebook.
    """
    import nbformat  # noqa: PLC0415 - an extra, and slow

    try:
        return nbformat.read(path, as_version=4)
    except Exception as error:  # what a file that is no notebook raises is not declared
        reason = getattr(error, "strerror", None) or "a file that is no notebook"
        raise ResultsError(
            f"{path}: found {reason}; expected a Jupyter notebook, format 4; take it from "
            f"the source again"
        ) from None


def parameters_of(notebook: "NotebookNode", name: str) -> dict[str, object]:
    """Return the parameters of a notebook with their defaults.

    Raises
    ------
    ResultsError
        When it has not one cell tagged ``parameters``, of plain assignments.
    """
    cells = [c for c in notebook.cells if "parameters" in c.metadata.get("tags", ())]
    try:
        (cell,) = cells
        return {
            node.targets[0].id: ast.literal_eval(node.value)
            for node in ast.parse(cell.source).body
        }
    except (ValueError, SyntaxError, AttributeError):
        raise ResultsError(
            f"{name}: found {len(cells)} cells tagged parameters that can be read; "
            f"expected one with assignments of plain values; tag the first code cell"
        ) from None


def set_parameters(notebook: "NotebookNode", values: Mapping[str, object]) -> None:
    """Replace the values in the cell of parameters."""
    (cell,) = [c for c in notebook.cells if "parameters" in c.metadata.get("tags", ())]
    cell.source = "\n".join(f"{name} = {value!r}" for name, value in values.items())


def check_overrides(
    overrides: Mapping[str, object], known: Mapping[str, Mapping[str, object]]
) -> None:
    """Refuse a parameter that no notebook has.

    Raises
    ------
    SettingsError
        With the nearest name.
    """
    names = sorted({name for values in known.values() for name in values})
    for name in overrides:
        if name not in names:
            near = difflib.get_close_matches(name, names, n=1)
            hint = f"did you mean {near[0]}?" if near else f"there are {', '.join(names)}"
            raise SettingsError(
                f"--set {name}: found a parameter that no notebook has; expected one of "
                f"theirs; {hint}"
            )


def execute(
    notebook: "NotebookNode",
    folder: Path,
    time_limit_s: int,
    tell: Callable[[int, int], None],
) -> str:
    """Run a notebook in place; returns what stopped it in one line, or nothing.

    Parameters
    ----------
    notebook
        With its parameters; outputs are written into it, also up to a failure.
    folder
        Where it runs.
    time_limit_s
        For each cell.
    tell
        Called with (cells done, of how many).
    """
    from jupyter_client.kernelspec import NoSuchKernel  # noqa: PLC0415 - extras
    from nbclient import NotebookClient  # noqa: PLC0415
    from nbclient.exceptions import (  # noqa: PLC0415
        CellExecutionError,
        CellTimeoutError,
        DeadKernelError,
    )

    code = [i for i, cell in enumerate(notebook.cells) if cell.cell_type == "code"]
    now = {"cell": 0}

    def started(cell: object, cell_index: int) -> None:
        now["cell"] = cell_index
        tell(sum(i < cell_index for i in code), len(code))

    client = NotebookClient(
        notebook,
        # No warning, for every kernel, that its ports are this machine's.
        extra_arguments=["--log-level=ERROR"],
        timeout=time_limit_s,
        record_timing=False,
        kernel_name="python3",
        resources={"metadata": {"path": str(folder)}},
        on_cell_start=started,
    )
    try:
        client.execute()
    except CellExecutionError as error:
        words = _COLORS.sub("", str(error.evalue)).strip().splitlines()
        return f"cell {now['cell'] + 1}: {error.ename}: {words[0] if words else ''}"
    except CellTimeoutError:
        return (
            f"cell {now['cell'] + 1}: not finished after {time_limit_s} s; give it more "
            f"with --time-limit, or look into the cell"
        )
    except DeadKernelError:
        return (
            f"cell {now['cell'] + 1}: its kernel was ended from outside, most often for "
            f"want of memory"
        )
    except NoSuchKernel:
        return "there is no Python kernel; install beamreduce with its extra `notebook`"
    tell(len(code), len(code))
    return ""
