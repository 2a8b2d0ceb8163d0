"""How wide diffraction at the openings makes an image, and whether it hides the rest.

In visible light the openings between reflectors, a few tenths of a millimetre wide, are
slits: the light of each spreads in its own plane of reflection.
"""

from dataclasses import dataclass

from beamreduce.infinity.lit_rays import lit_rays
from beamreduce.infinity.perfect_nest import PerfectNest
from beamreduce.mirror import HC_KEV_NM, Prescription

NINE_TENTHS = 0.9
VISIBLE_KEV = 0.03  # below, no table of optical constants of mirrors speaks
_HIDES, _COUNTS = 0.5, 0.1


@dataclass(frozen=True, kw_only=True)
class Diffraction:
    """Blur by diffraction at the lit openings.

    Parameters
    ----------
    wavelength_nm
        Of the light.
    opening_mm
        Smallest and largest lit opening, square to the beam.
    hpd_arcsec, w90_arcsec
        Angular diameters that hold half and nine tenths of the light.
    """

    wavelength_nm: float
    opening_mm: tuple[float, float]
    hpd_arcsec: float
    w90_arcsec: float

    def share_of(self, measured_arcsec: float) -> float:
        """Return its part of a measured half-power diameter."""
        return self.hpd_arcsec / measured_arcsec

    def hides(self, measured_arcsec: float) -> bool:
        """True when a measured diameter says little of the mirror.

        With half of it diffraction, an error of a tenth in the predicted blur already
        changes what is left by 3 %.
        """
        return self.share_of(measured_arcsec) > _HIDES

    def sentence(self, measured_arcsec: float) -> str:
        """Say what it means for a measured half-power diameter; empty where it is small."""
        share = self.share_of(measured_arcsec)
        if share < _COUNTS:
            return ""
        text = (
            f"diffraction at openings of {self.opening_mm[0]:.2g} to "
            f"{self.opening_mm[1]:.2g} mm gives an HPD of {self.hpd_arcsec:.3g} arcsec at "
            f"{self.wavelength_nm:.4g} nm, {share:.0%} of the measured one"
        )
        if self.hides(measured_arcsec):
            text += (
                ": it hides the HPD of the mirror; positions can be used, sizes need X-rays"
            )
        return text


def diffraction_of(
    prescription: Prescription, source_distance_mm: float, energy_kev: float
) -> Diffraction:
    """Predict the blur of diffraction at the lit openings of a nest.

    Openings count by the light they let through, whatever the coating: a slit in the plane
    of reflection has an HPD of 0.541 λ/d and a W90 of 1.697 λ/d (Fraunhofer's slit).
    """
    rays = lit_rays(prescription, source_distance_mm=source_distance_mm)
    nest = PerfectNest(rays=rays, weights=rays.beam_mm2 / rays.beam_mm2.sum())
    lit = rays.opening_mm[nest.weights > 0]
    return Diffraction(
        wavelength_nm=HC_KEV_NM / energy_kev,
        opening_mm=(float(lit.min()), float(lit.max())),
        hpd_arcsec=nest.diffraction_arcsec(energy_kev=energy_kev),
        w90_arcsec=nest.diffraction_arcsec(NINE_TENTHS, energy_kev=energy_kev),
    )
