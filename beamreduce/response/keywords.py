"""Keywords that the OGIP memos ask for, and where each value here is taken from.

``SEEN`` is what the text of the memo, its contents list or change log was seen to say;
``MEMORY`` is recalled and was not compared with the memo.

=====================  ==================================  ======  ======================
extension              HDUCLAS1 / 2 / 3 / 4                HDUVERS value from
=====================  ==================================  ======  ======================
SPECRESP               RESPONSE SPECRESP                   1.1.0   names seen, rest memory
MATRIX                 RESPONSE RSP_MATRIX REDIST          1.3.0   version seen, rest memory
EBOUNDS                RESPONSE EBOUNDS                    1.2.0   names seen, rest memory
EFFAREA                RESPONSE EFFAREA                    1.0.0   memory
VIGNET                 RESPONSE VIGNET                     1.0.0   memory
RPSF                   RESPONSE RPSF PREDICTED/OBSERVED    1.0.0   version seen, rest memory
REEF                   RESPONSE REEF PREDICTED/OBSERVED    1.0.0   version seen, rest memory
2-D image              IMAGE PSF OBSERVED NET              1.0.0   seen (quoted elsewhere)
=====================  ==================================  ======  ======================
"""

from collections.abc import Mapping
from dataclasses import dataclass, field

SEEN, MEMORY = "memo as seen", "from memory"


@dataclass(frozen=True, kw_only=True)
class Layout:
    """What one kind of extension has to say of itself.

    Parameters
    ----------
    extname
        Its name.
    memo
        Number of the memo, the value of HDUDOC.
    classes
        HDUCLAS1, HDUCLAS2, ….
    version
        HDUVERS.
    columns
        TTYPEs that must be there, with their unit as OGIP/93-001 writes it.
    keys
        Further keywords that must be there.
    ccnm
        Content code CCNM0001.
    sources
        Which of these was seen and which is recalled.
    """

    extname: str
    memo: str
    classes: tuple[str, ...]
    version: str
    columns: Mapping[str, str]
    ccnm: str
    keys: tuple[str, ...] = ()
    sources: Mapping[str, str] = field(default_factory=dict)


_ENERGY = {"ENERG_LO": "keV", "ENERG_HI": "keV"}

ANCILLARY = Layout(
    extname="SPECRESP",
    memo="CAL/GEN/92-002",
    classes=("RESPONSE", "SPECRESP"),
    version="1.1.0",
    columns={**_ENERGY, "SPECRESP": "cm**2"},
    ccnm="SPECRESP",
    sources={"columns": SEEN, "ccnm": SEEN, "classes": MEMORY, "version": MEMORY},
)
MATRIX = Layout(
    extname="MATRIX",
    memo="CAL/GEN/92-002",
    classes=("RESPONSE", "RSP_MATRIX", "REDIST"),
    version="1.3.0",
    columns={**_ENERGY, "N_GRP": "", "F_CHAN": "", "N_CHAN": "", "MATRIX": ""},
    keys=("CHANTYPE", "DETCHANS", "TLMIN4", "NUMGRP", "NUMELT", "LO_THRES"),
    ccnm="MATRIX",
    sources={"version": SEEN, "ccnm": SEEN, "columns": MEMORY, "classes": MEMORY},
)
CHANNELS = Layout(
    extname="EBOUNDS",
    memo="CAL/GEN/92-002",
    classes=("RESPONSE", "EBOUNDS"),
    version="1.2.0",
    columns={"CHANNEL": "", "E_MIN": "keV", "E_MAX": "keV"},
    keys=("CHANTYPE", "DETCHANS"),
    ccnm="EBOUNDS",
    sources={"columns": SEEN, "ccnm": SEEN, "classes": MEMORY, "version": MEMORY},
)
AREA_GRID = Layout(
    extname="EFFAREA",
    memo="CAL/GEN/92-019",
    classes=("RESPONSE", "EFFAREA"),
    version="1.0.0",
    columns={**_ENERGY, "THETA": "arcmin", "PHI": "deg", "EFFAREA": "cm**2"},
    keys=("CSYSNAME",),
    ccnm="EFFAREA",
    sources={"ccnm": SEEN, "columns": MEMORY, "classes": MEMORY, "version": MEMORY},
)
VIGNETTING = Layout(
    extname="VIGNET",
    memo="CAL/GEN/92-021",
    classes=("RESPONSE", "VIGNET"),
    version="1.0.0",
    columns={**_ENERGY, "THETA": "arcmin", "PHI": "deg", "VIGNET": ""},
    keys=("CSYSNAME",),
    # The blockage by neighbours and bars is in it: with obscuration.
    ccnm="TVIGNET",
    sources={key: MEMORY for key in ("ccnm", "columns", "classes", "version")},
)
_RADII = {"RAD_LO": "arcsec", "RAD_HI": "arcsec", "THETA": "arcmin", **_ENERGY}
ENCIRCLED = Layout(
    extname="REEF",
    memo="CAL/GEN/92-020",
    classes=("RESPONSE", "REEF", "PREDICTED", "NET"),
    version="1.0.0",
    columns={**_RADII, "REEF": "", "REEF_ERR": ""},
    # The contents code is EEF, not REEF, in the list that was seen.
    ccnm="EEF",
    sources={"version": SEEN, "ccnm": SEEN, "columns": MEMORY, "classes": MEMORY},
)
RADIAL = Layout(
    extname="RPSF",
    memo="CAL/GEN/92-020",
    classes=("RESPONSE", "RPSF", "PREDICTED", "NET"),
    version="1.0.0",
    columns={**_RADII, "RPSF": "arcsec**(-2)", "RPSF_ERR": "arcsec**(-2)"},
    keys=("SUMRCTS", "BACKGRND"),
    ccnm="RPSF",
    sources={"version": SEEN, "ccnm": SEEN, "columns": MEMORY, "classes": MEMORY},
)
IMAGE = Layout(
    extname="PSF",
    memo="CAL/GEN/92-027",
    classes=("IMAGE", "PSF", "OBSERVED", "NET"),
    version="1.0.0",
    columns={},
    keys=("CTYPE1", "CTYPE2", "CRPIX1", "CRPIX2", "SUMRCTS"),
    ccnm="2D_PSF",
    sources={key: SEEN for key in ("ccnm", "classes", "keys")},
)
LAYOUTS = {
    layout.extname: layout
    for layout in (
        ANCILLARY, MATRIX, CHANNELS, AREA_GRID, VIGNETTING, ENCIRCLED, RADIAL, IMAGE,
    )
}  # fmt: skip

# Mandatory calibration keywords of every extension: seen (CAL/GEN/92-011).
CALIBRATION_KEYS = (
    "TELESCOP", "INSTRUME", "FILTER", "CCLS0001", "CDTP0001", "CCNM0001", "CBD10001",
    "CVSD0001", "CVST0001", "CDES0001",
)  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class Instrument:
    """Names that files carry; the user's to choose (OGIP/93-013 lists those in use).

    Parameters
    ----------
    telescope, instrument, filter
        Values of TELESCOP, INSTRUME, FILTER.
    valid_from
        Day from which the data set is to be used, ``YYYY-MM-DD``.
    """

    telescope: str = "MIRROR"
    instrument: str = "BEAMLINE"
    filter: str = "NONE"
    valid_from: str = "2000-01-01"


def layout_cards(
    layout: Layout, instrument: Instrument, *, bounds: str, describe: str
) -> list[tuple[str, object, str]]:
    """Return the keywords of an extension, in order.

    Parameters
    ----------
    layout
        Its kind.
    instrument
        Whose it is.
    bounds
        Limits of validity, such as ``ENERG(1.4-8.1)keV``.
    describe
        A few words for CDES0001.
    """
    classes = [
        (f"HDUCLAS{n}", value, "kind of data set")
        for n, value in enumerate(layout.classes, 1)
    ]
    return [
        ("EXTNAME", layout.extname, "name of this extension"),
        ("TELESCOP", instrument.telescope, "mirror"),
        ("INSTRUME", instrument.instrument, "where it was measured"),
        ("FILTER", instrument.filter, "filter in the beam of this response"),
        ("HDUCLASS", "OGIP", "who defined the layout"),
        ("HDUDOC", layout.memo, "where it is defined"),
        ("HDUVERS", layout.version, "version of the layout"),
        *classes,
        ("CCLS0001", "CPF", "calibration product file"),
        ("CDTP0001", "DATA", "data, not a task"),
        ("CCNM0001", layout.ccnm, "what it holds"),
        ("CBD10001", bounds[:68], "limits of validity"),
        ("CVSD0001", instrument.valid_from, "UTC day of first use"),
        ("CVST0001", "00:00:00", "UTC time of first use"),
        ("CDES0001", describe[:68], "description"),
    ]
