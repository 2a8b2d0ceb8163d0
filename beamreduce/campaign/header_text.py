"""Characters of a FITS header: only the printable ones of ASCII may be in it."""

from beamreduce.errors import Problem

_CARD = 80
_SHOWN = 3
# FITS standard 4.0, section 4.1.2.1: decimal 32 to 126.
_PRINTABLE = bytes(code if 32 <= code <= 126 else ord("?") for code in range(256))


def in_ascii(header_bytes: bytes) -> tuple[bytes, list[str]]:
    """Return a header with ``?`` for what FITS does not allow, and the cards it was in.

    Parameters
    ----------
    header_bytes
        Whole cards of 80 bytes.
    """
    clean = header_bytes.translate(_PRINTABLE)
    if clean == header_bytes:
        return header_bytes, []
    named: list[str] = []
    for start in range(0, len(clean), _CARD):
        part = slice(start, start + _CARD)
        name = clean[part][:8].decode("ascii").strip()
        if name == "END":
            break
        if clean[part] != header_bytes[part] and name not in named:
            named.append(name)
    return clean, named


def not_ascii(file: str, cards: list[str]) -> Problem:
    """Return the warning for a file in which cards hold characters not allowed."""
    shown = ", ".join(cards[:_SHOWN]) + (" …" if len(cards) > _SHOWN else "")
    return Problem(
        file=file,
        item=f"card{'s' if len(cards) > 1 else ''} {shown}",
        found="characters that are not ASCII",
        expected="the printable characters of ASCII alone, as in every FITS header",
        action='each is read as "?"; write such letters and units out (deg, um)',
        warning=True,
    )


def told_once(problems: list[Problem]) -> list[Problem]:
    """Join the same warning about many files into one that names the first of them."""
    files: dict[tuple[str, str, str, str], list[str]] = {}
    rest: list[Problem] = []
    for problem in problems:
        if problem.warning:
            words = (problem.item, problem.found, problem.expected, problem.action)
            files.setdefault(words, []).append(problem.file)
        else:
            rest.append(problem)
    for (item, found, expected, action), names in files.items():
        more = f" and {len(names) - 1} more" if len(names) > 1 else ""
        rest.append(
            Problem(
                file=names[0] + more,
                item=item,
                found=found,
                expected=expected,
                action=action,
                warning=True,
            )
        )
    return rest
