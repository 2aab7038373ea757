"""Attenuation at five energies, and what a ray through water, bone and metal leaves over.

Mass attenuation coefficients in cm^2/g at 40, 50, 60, 80 and 100 keV are written down from memory
of NIST's tables (Hubbell and Seltzer, NISTIR 5632), not looked up; mixtures are by weight. The
spectrum's weights are of the order of a filtered tube at 120 kV seen by an energy-integrating
detector; common practice, no source.
"""

from __future__ import annotations

import numpy as np

KEV = (40, 50, 60, 80, 100)
SPECTRUM = np.array([0.07, 0.19, 0.27, 0.29, 0.18])
WATER = np.array([0.2683, 0.2269, 0.2059, 0.1837, 0.1707])
CORTICAL_BONE = np.array([0.6655, 0.4242, 0.3148, 0.2229, 0.1855])
ALUMINIUM = np.array([0.5685, 0.3681, 0.2778, 0.2018, 0.1704])
TITANIUM = np.array([2.214, 1.213, 0.7661, 0.4052, 0.2721])
VANADIUM = np.array([2.472, 1.347, 0.8438, 0.4371, 0.2877])
CHROMIUM = np.array([2.859, 1.550, 0.9639, 0.4905, 0.3166])
IRON = np.array([3.629, 1.958, 1.205, 0.5952, 0.3717])
COBALT = np.array([4.000, 2.144, 1.314, 0.6414, 0.3949])
NICKEL = np.array([4.600, 2.474, 1.512, 0.7306, 0.4440])
MOLYBDENUM = np.array([13.0, 7.04, 4.274, 1.962, 1.096])

BONE_DENSITY = 1.92
ALLOYS = {
    "titanium": 4.43 * (0.90 * TITANIUM + 0.06 * ALUMINIUM + 0.04 * VANADIUM),
    "cobalt-chrome": 8.4 * (0.66 * COBALT + 0.28 * CHROMIUM + 0.06 * MOLYBDENUM),
    "steel": 7.9 * (0.65 * IRON + 0.18 * CHROMIUM + 0.14 * NICKEL + 0.03 * MOLYBDENUM),
}
"""Linear attenuation, per cm."""


def transmission(water_cm, bone_cm, metals_cm):
    """Return the share of the signal left after lengths (cm of full density), same shapes.

    metals_cm : by alloy
    """
    left = np.zeros_like(water_cm)
    for number, weight in enumerate(SPECTRUM):
        path = np.float32(WATER[number]) * water_cm
        path += np.float32(CORTICAL_BONE[number] * BONE_DENSITY) * bone_cm
        for alloy, metal_cm in metals_cm.items():
            path += np.float32(ALLOYS[alloy][number]) * metal_cm
        left += np.float32(weight) * np.exp(-path)
    return left


def water_table():
    """Return (line integrals, lengths in cm): what makes water straight again after hardening."""
    lengths = np.linspace(-2.0, 130.0, 4000)
    none = np.zeros_like(lengths)
    return -np.log(transmission(lengths, none, {})), lengths
