"""Constants of nature that more than one module needs."""

from __future__ import annotations

SPEED_OF_LIGHT_M_S = 299792458.0  # exact: SI Brochure (BIPM, 9th edition, 2019)
SPEED_OF_LIGHT_KM_S = SPEED_OF_LIGHT_M_S / 1000.0
# Mean radius of the Moon (Archinal et al. 2018, Cel. Mech. Dyn. Astr. 130, 22, table 5).
MOON_RADIUS_KM = 1737.4
