#!/usr/bin/env python3
"""Writes testdata/published/refraction_ray_trace.csv: refraction by ray tracing.

Run: python3 scripts/make_reference_refraction.py > testdata/published/refraction_ray_trace.csv
With --fit it prints the two constants of the continued fraction in src/sky/refraction.rs instead.

Method: C. Y. Hohenkerk & A. T. Sinclair 1985, NAO Technical Note 63 (the integral of L. H. Auer &
E. M. Standish): troposphere of constant lapse rate to 11 km, isothermal above to 80 km.
Checked against the ray trace printed in the notes of SOFA's refco: 10.27, 58.16 and 158.63 arcsec
at zenith distances 10, 45 and 70 degrees for 1005 hPa, 7 C, 80 %, 0.574 um.
"""

import sys

import erfa
import numpy as np
import scipy
from scipy.optimize import least_squares

WAVELENGTH, LAPSE, LATITUDE = 0.574, 0.0065, 50.0
AIRS = [  # pressure hPa, temperature C, relative humidity
    (1010, 10, 0.5), (1005, 7, 0.8), (1013, -10, 0.5), (1013, 25, 0.5), (700, 0, 0.3), (850, 20, 0.5), (900, -10, 0.5),
]
ALTITUDES = [0, 0.5, 1, 1.5, 2, 3, 4, 5, 6, 8, 10, 12, 15, 20, 30, 45, 60, 80]
EARTH, TROPOPAUSE, TOP = 6378120.0, 11000.0, 80000.0


def layers(pressure, celsius, humidity):
    """Refractive index and r dn/dr of the two layers, as functions of the radius."""
    kelvin, w2 = celsius + 273.15, WAVELENGTH**2
    saturated = 10 ** ((0.7859 + 0.03477 * celsius) / (1 + 0.00412 * celsius))
    saturated *= 1 + pressure * (4.5e-6 + 6e-10 * celsius**2)
    vapour = humidity * saturated / (1 - (1 - humidity) * saturated / pressure)
    gravity = 9.784 * (1 - 0.0026 * np.cos(np.radians(2 * LATITUDE)))
    dry, wet, gas, delta = 28.9644, 18.0152, 8314.32, 18.36
    a = (287.6155 + 1.62887 / w2 + 0.01360 / w2**2) * 273.15 / 1013.25 * 1e-6
    per_kelvin = gravity * dry / gas
    gamma = per_kelvin / LAPSE
    w = vapour * (1 - wet / dry) * gamma / (delta - gamma)
    c1, c2 = a * (pressure + w) / kelvin, (a * w + 11.2684e-6 * vapour) / kelvin
    c3, c4 = (gamma - 1) * LAPSE * c1 / kelvin, (delta - 1) * LAPSE * c2 / kelvin

    def troposphere(r):
        t = 1 - LAPSE * (r - EARTH) / kelvin
        return 1 + (c1 * t ** (gamma - 2) - c2 * t ** (delta - 2)) * t, r * (c4 * t ** (delta - 2) - c3 * t ** (gamma - 2))

    edge, _ = troposphere(EARTH + TROPOPAUSE)
    decay = per_kelvin / (kelvin - LAPSE * TROPOPAUSE)

    def stratosphere(r):
        n = (edge - 1) * np.exp(-decay * (r - EARTH - TROPOPAUSE))
        return 1 + n, -r * decay * n

    return (troposphere, EARTH, EARTH + TROPOPAUSE), (stratosphere, EARTH + TROPOPAUSE, EARTH + TOP)


def ray_trace(altitude, air, steps=4000):
    """Refraction in arcseconds at an observed altitude in degrees."""
    both = layers(*air)
    snell = both[0][0](EARTH)[0] * EARTH * np.cos(np.radians(altitude))
    total = 0.0
    for index, low, high in both:
        angle = [np.arcsin(min(1.0, snell / (index(r)[0] * r))) for r in (low, high)]
        z = np.linspace(*angle, steps + 1)
        r = np.linspace(low, high, steps + 1)
        for _ in range(40):
            n, slope = index(r)
            r = np.clip(r - (n * r - snell / np.sin(z)) / (n + slope), low, high)
        n, slope = index(r)
        total += scipy.integrate.simpson(slope / (n + slope), x=z)
    return np.degrees(total) * 3600


def fraction(second, third, altitude, air):
    """The continued fraction of src/sky/refraction.rs, arcseconds."""
    a, b = erfa.refco(*air, WAVELENGTH)
    scale, first = a - b, -b / (a - b)
    sin, cos = np.sin(np.radians(altitude)), np.cos(np.radians(altitude))
    inner = sin + second * first / (sin + third * np.sqrt(first))
    return np.degrees(scale * cos / (sin + first / inner)) * 3600


def fit(rows):
    def residuals(constants):
        return [(fraction(*constants, h, air) - traced) / max(0.3, 2e-3 * traced) for air, h, traced in rows]

    print(least_squares(residuals, [2.0, 1.7]).x)


def main():
    rows = [(air, h, ray_trace(h, air)) for air in AIRS for h in ALTITUDES]
    if "--fit" in sys.argv:
        return fit(rows)
    print("# Refraction by ray tracing through model atmospheres, 7 airs at 18 observed altitudes.")
    print("# Source: method of C. Y. Hohenkerk & A. T. Sinclair 1985, NAO Technical Note 63; own program,")
    print("# checked against the ray trace in the notes of SOFA's refco.")
    print("# Command: python3 scripts/make_reference_refraction.py > testdata/published/refraction_ray_trace.csv")
    print(f"# numpy {np.__version__}, scipy {scipy.__version__}. Wavelength {WAVELENGTH} um, lapse rate {LAPSE} K/m,"
          f" latitude {LATITUDE}, sea level.")
    print("# Licence: output of the script above, as free as the project.")
    print("pressure_hpa,temperature_c,relative_humidity,observed_altitude_deg,refraction_arcsec")
    for air, h, traced in rows:
        print(*air, h, f"{traced:.2f}", sep=",")


if __name__ == "__main__":
    sys.exit(main())
