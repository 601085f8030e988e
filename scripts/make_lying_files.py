#!/usr/bin/env python3
"""Writes files of testdata/bad that claim what they cannot keep: RAW files made of boxes, and directories
that are small and cost much. Bytes alone; the cameras are invented.

Needs Python alone. Run from anywhere; the output is the same each time.
Source: ISO/IEC 14496-12 (boxes); TIFF 6.0 (directories); for the maker's own boxes the reading order of
the crate rawler 0.8.
"""

import struct
from pathlib import Path

BAD = Path(__file__).resolve().parent.parent / "testdata" / "bad"
OWN = bytes.fromhex("85c0b687820f11e08111f4ce462b6a48")
IS_DNG = struct.pack("<HHI4B", 50706, 1, 4, 1, 4, 0, 0)


def box(name, body=b"", size=None):
    """A box; its size as it is, or as it claims, in 64 bits where 32 do not hold it."""
    size = 8 + len(body) if size is None else size
    if size < 1 << 32:
        return struct.pack(">I4s", size, name) + body
    return struct.pack(">I4sQ", 1, name, size) + body


def table(name, *numbers):
    return box(name, struct.pack(f">{1 + len(numbers)}I", 0, *numbers))


def directory(*entries, follows=0):
    """A little-endian TIFF of one directory: tag, kind, count and value of each entry."""
    packed = b"".join(struct.pack("<HHII", *entry) for entry in entries)
    return b"II*\0" + struct.pack("<IH", 8, len(entries)) + packed + struct.pack("<I", follows)


def pictures_box(width, height, tile, list_bytes):
    numbers = struct.pack(">hHHHIIIIBBBBII", -1, 48, 0x100, 0, width, height, *tile, 14, 4 << 4, 0, 0, list_bytes, 0)
    return box(b"CRAW", bytes(82) + box(b"CMP1", numbers + bytes(24)))


def tile_list(n_tiles, n_planes, band_bytes):
    """What stands before a picture's data: its tiles, their planes, and one band of each."""
    band = struct.pack(">HHII", 0xFF03, 8, band_bytes, 0)
    plane = struct.pack(">HHII", 0xFF02, 8, band_bytes, 0) + band
    tile = struct.pack(">HHII", 0xFF01, 8, n_planes * band_bytes, 0) + n_planes * plane
    return n_tiles * tile


def track(described, at, length, n_samples=1):
    """One sample of this length at this place; its tables may claim more."""
    rows = [
        box(b"stsd", struct.pack(">II", 0, 1) + described),
        table(b"stts", 1, 1, 1),
        table(b"stsc", 1, 1, 1, 1),
        table(b"stsz", 0, n_samples, length),
        box(b"co64", struct.pack(">IIQ", 0, 1, at)),
    ]
    inner = box(b"minf", box(b"dinf") + box(b"stbl", b"".join(rows)))
    return box(b"trak", box(b"tkhd", bytes(4)) + box(b"mdia", box(b"mdhd", bytes(24)) + box(b"hdlr", bytes(4)) + inner))


def boxes(
    directories=(directory((256, 4, 1, 64)),) * 4,
    in_own=b"",
    in_description=b"",
    in_movie=b"",
    pictures=lambda list_bytes: pictures_box(64, 48, (64, 48), list_bytes),
    listed=tile_list(1, 4, 64),
    record=struct.pack("<IHxxxxxxI", 16, 4, 0),
    n_records=1,
    records=box(b"CTMD", bytes(8) + struct.pack(">IBBHI", 1, 0, 0, 4, 16)),
):
    """A file of boxes as a camera writes it: directories, a track of a picture and one of records."""
    numbered = b"".join(box(b"CMT%d" % nth, content) for nth, content in enumerate(directories, 1))
    kinds = box(b"CCTP", struct.pack(">III", 0, 1, 1) + box(b"CCDT", struct.pack(">QII", 0, 0, 1)))
    own = box(b"uuid", OWN + box(b"CNCV", bytes(30)) + kinds + box(b"CTBO", bytes(4)) + in_own + numbered + box(b"THMB", bytes(8)))
    data = listed + 256 * b"\xff"

    def head(at):
        described = pictures(len(listed)) + in_description
        tracks = track(described, at, len(data)) + track(records, at + len(data), len(record), n_records)
        return box(b"ftyp", b"crx \0\0\0\1crx isom") + box(b"moov", own + box(b"mvhd", bytes(100)) + tracks + in_movie)

    return head(len(head(0)) + 8) + box(b"mdat", data + record)


def files_of_boxes():
    ring = directory((256, 4, 1, 64), follows=8)
    # Five entries that lead nowhere end a directory early; what stands behind them leads back.
    lost = [(700 + nth, 4, 2, 0xFFFFFFFF) for nth in range(5)]
    early = directory((256, 4, 1, 64), *lost, (8, 0, 0, 0))
    plain = directory((256, 4, 1, 64))
    lying = directory((700, 5, 0x30000000, 0))
    block = struct.pack("<IHH", 8 + len(lying), 0x927C, 1) + lying
    # So many beginnings of directories that the one that lies is not found by its first bytes.
    decoys = 70 * b"II*\0"
    hidden = struct.pack("<IHxxxxxx", 12 + len(decoys), 1) + decoys + struct.pack("<IHxxxxxx", 12 + len(block), 8) + block
    return {
        "lying_table.cr3": boxes(n_records=4000000000),
        "endless_boxes.cr3": boxes(in_description=box(b"rest", size=0)),
        "long_box.cr3": boxes(in_own=box(b"CNOP", bytes(8), size=1 << 40)),
        "backwards.cr3": boxes(in_movie=box(b"free") + box(b"free", size=(1 << 64) - 8)),
        "unknown_number.cr3": boxes(in_movie=box(b"uuid", bytes(16) + box(b"free", size=0))),
        "lying_records.cr3": boxes(records=box(b"CTMD", bytes(8) + struct.pack(">I", 4000000000))),
        "long_record.cr3": boxes(record=struct.pack("<IHxxxxxxI", 4000000000, 8, 0)),
        "hidden_block.cr3": boxes(record=hidden),
        "ring_in_box.cr3": boxes(directories=(plain, ring, plain, plain)),
        "early_ring.cr3": boxes(directories=(plain, early, plain, plain)),
        "huge.cr3": boxes(pictures=lambda n: pictures_box(300000, 300000, (300000, 300000), n)),
        "many_tiles.cr3": boxes(listed=tile_list(12, 4, 64)),
        "tall_tile.cr3": boxes(pictures=lambda n: pictures_box(64, 48, (60, 0x7FFFFFFE), n)),
        "many_planes.cr3": boxes(listed=tile_list(1, 40, 64)),
    }


def pointing(n_places, entry, n_entries):
    """A DNG whose first directory points again and again to one directory of these entries."""
    at = 8 + 2 + 2 * 12 + 4
    packed = b"".join(struct.pack("<HHII", *entry(nth)) for nth in range(n_entries))
    below = struct.pack("<H", n_entries) + packed + bytes(4)
    first = struct.pack("<HHII", 330, 4, n_places, at + len(below)) + IS_DNG
    return b"II*\0" + struct.pack("<IH", 8, 2) + first + bytes(4) + below + struct.pack("<I", at) * n_places


def files_of_directories():
    return {
        "many_below.dng": pointing(2000, lambda nth: (40000 + nth, 4, 1, nth), 300),
        "entries_again.dng": pointing(490, lambda nth: (40000 + nth, 4, 1, nth), 300),
        "bytes_again.dng": pointing(300, lambda nth: (40000 + nth, 7, 4000, 0), 300),
    }


def picture(sides, coded=None):
    """A DNG of 64 x 48 values, or of what the sides say and the coded data hold."""
    data = bytes(2 * 64 * 48) if coded is None else coded
    start = 8 + 2 + 12 * (10 + len(sides)) + 4
    entries = [(258, 3, 1, 16), (259, 3, 1, 1 if coded is None else 7), (262, 3, 1, 32803), (273, 4, 1, start),
               (277, 3, 1, 1), (278, 4, 1, 48), (279, 4, 1, len(data)), (33421, 3, 2, 2 << 16 | 2),
               (33422, 1, 4, 0x02010100)]  # fmt: skip
    file = directory(*sides, *entries, (50706, 1, 4, 0x401))
    assert len(file) == start
    return file + data


def lossless(side):
    """A lossless JPEG that ends soon after its head."""
    frame = struct.pack(">BBHBHHBBBB", 0xFF, 0xC3, 11, 14, side, side, 1, 0, 0x11, 0)
    codes = b"\xff\xc4" + struct.pack(">HB", 2 + 1 + 16 + 2, 0) + bytes([0, 2] + 14 * [0]) + bytes([0, 1])
    scan = struct.pack(">BBHBBBBBB", 0xFF, 0xDA, 8, 1, 0, 0, 1, 0, 0)
    return b"\xff\xd8" + frame + codes + scan + 400 * b"\x55" + b"\xff\xd9"


def blocks(*named):
    """A file of named blocks, and zeros behind them."""
    packed = b"".join(b"\0" + name + struct.pack(">I", length) + body for name, length, body in named)
    return b"\0MRM" + struct.pack(">I", len(packed) + 20) + packed + bytes(100)


def heap(n_entries, n_bytes):
    """A heap of entries that are the same bytes; their numbers have 11 bits, their types 3."""
    types = [0, 0x800, 0x1000, 0x1800, 0x2000]
    entries = [struct.pack("<HII", types[nth >> 11] | nth & 0x7FF, n_bytes, 0) for nth in range(n_entries)]
    head = b"II" + struct.pack("<I", 14) + b"HEAPCCDR"
    return head + bytes(n_bytes) + struct.pack("<H", n_entries) + b"".join(entries) + struct.pack("<I", n_bytes)


def files_of_other_kinds():
    small = [(256, 4, 1, 64), (257, 4, 1, 48)]
    wide = [(256, 4, 1, 300000), (257, 4, 1, 300000)]
    absurd = struct.pack("<HHHII", 1, 700, 5, 0x30000000, 0) + bytes(4)
    layer = bytes(8) + struct.pack("<IIIII", 2, 0x12, 10, 10, 0) + bytes(6) + b"Exif\0\0" + absurd
    listed = b"SECd" + struct.pack("<IIII", 0x20000, 1, 64, len(layer)) + b"IMA2"
    return {
        "wide_twice.dng": picture(small + wide),
        "signed_width.dng": picture([(tag, 9, 1, side) for tag, _, _, side in wide]),
        "lossless_head.dng": picture(small, lossless(65535)),
        "layered.x3f": b"FOVb".ljust(64, b"\0") + layer + listed + struct.pack("<I", 64 + len(layer)),
        "old_camera.cr3": b"qktkftypcrx".ljust(544, b"\0") + struct.pack(">HH", 65280, 65535) + bytes(200),
        "wide.mrw": blocks((b"PRD", 24, bytes(8) + struct.pack(">HH", 65535, 65535) + bytes(12))),
        "endless.mrw": blocks((b"ABC", 0xFFFFFFF8, bytes(40))),
        "same_bytes.crw": heap(3700, 37000),
    }


def main():
    for name, content in {**files_of_boxes(), **files_of_directories(), **files_of_other_kinds()}.items():
        (BAD / name).write_bytes(content)


if __name__ == "__main__":
    main()
