#!/usr/bin/env python3
"""Writes testdata/published/apparent_places.csv: places of 20 stars by astropy (IAU SOFA/ERFA).

Run: python3 scripts/make_reference_apparent.py > testdata/published/apparent_places.csv
Needs: astropy and pyerfa; no network (the Earth orientation table is replaced by zeros).

The directions are round numbers near bright stars: inputs of a transformation, not measurements,
so proper motion and parallax are zero on both sides.
"""

import sys

import astropy
import astropy.units as u
import erfa
import numpy as np
from astropy.coordinates import TETE, AltAz, EarthLocation, SkyCoord
from astropy.time import Time
from astropy.utils import iers

STARS = [  # name, right ascension, declination (ICRS, degrees)
    ("alpha UMi", 37.9546, 89.2641), ("beta UMi", 222.6764, 74.1555), ("alpha UMa", 165.9320, 61.7510),
    ("alpha Cas", 10.1268, 56.5373), ("alpha Per", 51.0807, 49.8612), ("alpha Lyr", 279.2347, 38.7837),
    ("beta Gem", 116.3290, 28.0262), ("alpha Boo", 213.9153, 19.1824), ("alpha Leo", 152.0930, 11.9672),
    ("alpha Ori", 88.7929, 7.4071), ("delta Ori", 83.0017, -0.2991), ("alpha Aqr", 331.4460, -0.3199),
    ("alpha Vir", 201.2983, -11.1613), ("alpha CMa", 101.2872, -16.7161), ("alpha Sco", 247.3519, -26.4320),
    ("alpha PsA", 344.4127, -29.6222), ("alpha Car", 95.9880, -52.6957), ("alpha Cru", 186.6496, -63.0991),
    ("delta Oct", 216.7300, -83.6679), ("sigma Oct", 317.1953, -88.9565),
]
SITES = [  # latitude, longitude, height m, pressure hPa, temperature C
    (51.5, -0.1, 30.0, 1009.0, 8.0),
    (28.3, -16.5, 2390.0, 770.0, 12.0),
    (-0.2, -78.5, 2850.0, 727.0, 10.0),
    (-33.9, 18.5, 120.0, 1001.0, 17.0),
    (-43.5, 172.6, 10.0, 1013.0, 4.0),
]
TIMES = ["2016-12-31T23:50:00", "2019-03-20T21:58:24", "2021-08-14T03:30:15.5", "2024-11-02T18:05:00"]
HUMIDITY = 0.5
WAVELENGTH = 0.55 * u.micron


def without_earth_orientation():
    """The bundled table with UT1 - UTC, polar motion and pole offsets set to zero."""
    iers.conf.auto_download = False
    table = iers.IERS_B.open()
    for name in ("UT1_UTC", "PM_x", "PM_y", "dX_2000A", "dY_2000A"):
        table[name] = 0.0 * table[name].unit
    iers.earth_orientation_table.set(table)


def places(star, site, utc):
    """Apparent right ascension and declination, airless and observed azimuth and altitude."""
    lat, lon, height, pressure, temperature = site
    where = EarthLocation.from_geodetic(lon * u.deg, lat * u.deg, height * u.m)
    when = Time(utc, scale="utc")
    when.delta_ut1_utc = 0.0
    coord = SkyCoord(star[1] * u.deg, star[2] * u.deg, frame="icrs")
    apparent = coord.transform_to(TETE(obstime=when, location=where))
    airless = coord.transform_to(AltAz(obstime=when, location=where))
    seen = coord.transform_to(AltAz(
        obstime=when, location=where, pressure=pressure * u.hPa, temperature=temperature * u.deg_C,
        relative_humidity=HUMIDITY, obswl=WAVELENGTH))
    return apparent.ra, apparent.dec, airless.az, airless.alt, seen.az, seen.alt


def main():
    without_earth_orientation()
    print("# Apparent, airless and observed places of 20 directions over both hemispheres.")
    print(f"# Source: IAU SOFA routines (ERFA {erfa.version.erfa_version}, SOFA {erfa.version.sofa_version})"
          f" through astropy {astropy.__version__}, pyerfa {erfa.__version__}, numpy {np.__version__}.")
    print("# Command: python3 scripts/make_reference_apparent.py > testdata/published/apparent_places.csv")
    print("# Frames: ICRS in; TETE of the site (true equator and equinox of date, aberration, no air);")
    print("# AltAz (azimuth north through east). Units in the column names.")
    print("# Zero on purpose: UT1 - UTC, polar motion, pole offsets, proper motion, parallax.")
    print(f"# Air: relative humidity {HUMIDITY}, wavelength {WAVELENGTH}; observed columns are empty below 15 degrees,")
    print("# where the two-constant refraction of ERFA ends.")
    print("# Licence: output of the script above, as free as the project; astropy and pyerfa are BSD-3-Clause.")
    print("star,ra_deg,dec_deg,utc,latitude_deg,longitude_east_deg,height_m,pressure_hpa,temperature_c,"
          "apparent_ra_deg,apparent_dec_deg,airless_azimuth_deg,airless_altitude_deg,"
          "observed_azimuth_deg,observed_altitude_deg")
    for index, star in enumerate(STARS):
        for step in range(3):
            site = SITES[(index + 2 * step) % len(SITES)]
            utc = TIMES[(index + step) % len(TIMES)]
            ra, dec, az, alt, seen_az, seen_alt = (angle.deg for angle in places(star, site, utc))
            seen = f"{seen_az:.7f},{seen_alt:.7f}" if alt > 15.0 else ","
            fields = [star[0], star[1], star[2], utc, *site]
            print(",".join(str(f) for f in fields), f"{ra:.7f},{dec:.7f},{az:.7f},{alt:.7f},{seen}", sep=",")


if __name__ == "__main__":
    sys.exit(main())
