#!/usr/bin/env python3
"""Writes the little pictures of testdata/frames and the damaged ones of testdata/bad.

One picture, drawn by a formula, in every format that is read: 48 x 32 pixels, linear light
0.05 with a star of 0.80 at (12, 8) and one of 0.50 at (36, 22), Gaussian, sigma 1.5 pixels;
(0, 0) is the centre of the first pixel, x right, y down. The damaged files are made from these.

Needs numpy, pillow and astropy. Run from anywhere; the output is the same each time.
"""

import io
import struct
from pathlib import Path

import numpy as np
from astropy.io import fits
from PIL import Image

DATA = Path(__file__).resolve().parent.parent / "testdata"
WIDTH, HEIGHT = 48, 32


def light():
    y, x = np.mgrid[:HEIGHT, :WIDTH]
    star = lambda cx, cy: np.exp(-((x - cx) ** 2 + (y - cy) ** 2) / (2 * 1.5**2))
    return 0.05 + 0.80 * star(12, 8) + 0.50 * star(36, 22)


def srgb_bytes(values):
    curve = np.where(values <= 0.0031308, 12.92 * values, 1.055 * values ** (1 / 2.4) - 0.055)
    return np.round(curve * 255).astype(np.uint8)


def words(values):
    return np.round(values * 65535).astype(np.uint16)


def exif_of_a_night(orientation=1):
    """What an ordinary camera writes; the maker is invented."""
    exif = Image.Exif()
    exif[271], exif[272], exif[274] = "Halden", "HX-24", orientation
    inner = exif.get_ifd(0x8769)
    inner[33434] = 60.0  # ExposureTime
    inner[36867] = "2026:01:18 04:59:07"  # DateTimeOriginal
    inner[37521] = "5"  # SubSecTimeOriginal
    inner[36881] = "+05:30"  # OffsetTimeOriginal
    inner[37386] = 24.0  # FocalLength
    inner[42036] = "Halden 24 mm f/2"  # LensModel
    inner[40962], inner[40963] = WIDTH, HEIGHT
    inner[41486], inner[41488] = 2000.0, 3  # pixels a centimetre: 5 um
    gps = exif.get_ifd(0x8825)
    gps[1], gps[2] = "S", (33.0, 30.0, 0.0)
    gps[3], gps[4] = "W", (70.0, 15.0, 0.0)
    gps[5], gps[6] = b"\0", 2100.0
    return exif


def nonsense_exif():
    """Tags as broken files hold them: void ratios, blanks, zeros."""
    exif = Image.Exif()
    exif[274] = 99
    inner = exif.get_ifd(0x8769)
    zero = struct_ratio(0, 0)
    inner[33434] = zero
    inner[36867] = "    :  :     :  :  "
    inner[37521] = "abc"
    inner[36881] = "half past"
    inner[37386] = struct_ratio(0, 1)
    inner[41486], inner[41488] = struct_ratio(1, 0), 3
    gps = exif.get_ifd(0x8825)
    gps[1], gps[2] = "N", (zero, zero, zero)
    gps[3], gps[4] = "E", (zero, zero, zero)
    return exif


def struct_ratio(numerator, denominator):
    from PIL.TiffImagePlugin import IFDRational

    return IFDRational(numerator, denominator)


def tiff_like(tags, data):
    """A little-endian TIFF of one directory; data begin where tag 273 points."""
    letters = {1: "B", 2: "B", 3: "H", 4: "I", 7: "B"}
    start = 8 + 2 + 12 * len(tags) + 4
    out = b"II*\0" + struct.pack("<IH", 8, len(tags))
    for tag, kind, values in tags:
        values = [start] if tag == 273 else values
        packed = struct.pack(f"<{len(values)}{letters[kind]}", *values)
        out += struct.pack("<HHI", tag, kind, len(values)) + packed.ljust(4, b"\0")
    return out + struct.pack("<I", 0) + data


def grey16_tiff_with_exif():
    """An EXIF block is a TIFF without a picture: the picture's tags and data are added."""
    exif = exif_of_a_night()
    size = 2 * WIDTH * HEIGHT
    # Pillow adds the length of the block to the offset in tag 273.
    picture = {256: WIDTH, 257: HEIGHT, 258: 16, 259: 1, 262: 1, 273: 0, 277: 1, 278: HEIGHT, 279: size}
    for tag, value in picture.items():
        exif[tag] = value
    return exif.tobytes()[len("Exif\0\0") :] + words(light()).astype(">u2").tobytes()


def dng():
    """RGGB, 14 bit, black 512: red and blue sites hold a third of the green light."""
    y, x = np.mgrid[:HEIGHT, :WIDTH]
    green = (x + y) % 2 == 1
    counts = 512 + np.where(green, light(), light() / 3) * (16383 - 512)
    size = 2 * WIDTH * HEIGHT
    tags = [
        (254, 4, [0]), (256, 4, [WIDTH]), (257, 4, [HEIGHT]), (258, 3, [16]), (259, 3, [1]),
        (262, 3, [32803]), (273, 4, [0]), (274, 3, [1]), (277, 3, [1]), (278, 4, [HEIGHT]),
        (279, 4, [size]), (33421, 3, [2, 2]), (33422, 1, [0, 1, 1, 2]), (50706, 1, [1, 4, 0, 0]),
        (50714, 3, [512]), (50717, 3, [16383]),
    ]  # fmt: skip
    return tiff_like(tags, np.round(counts).astype("<u2").tobytes())


def fits_bytes(values, **keywords):
    hdu = fits.PrimaryHDU(values)
    hdu.header.update(keywords)
    out = io.BytesIO()
    hdu.writeto(out)
    return out.getvalue()


def fits_by_hand(cards, data):
    """A FITS file of these cards, as no library would write it."""
    header = "".join(f"{card:<80}" for card in [*cards, "END"]).encode()
    return header.ljust(2880, b" ") + data.ljust(2880, b"\0")


def lying_raw_files():
    """RAW files that claim what no file can keep, each in another place that the decoder reads."""
    is_dng = (50706, 1, [1, 4, 0, 0])
    absurd = struct.pack("<HHHII", 1, 700, 5, 0x30000000, 0) + bytes(4)
    note = b"EPSON\0\x01\0" + absurd
    head = 8 + 2 + 12 * 2 + 4
    ring = tiff_like([(256, 4, [WIDTH]), is_dng], b"")
    heap_entry = struct.pack("<HII", 0x2800, 2 + 2 * 10 + 4, 0)
    return {
        "old_camera.png": b"qktk" + bytes(540) + struct.pack(">HH", 60000, 60000) + bytes(200),
        "unknown_kind.dng": tiff_like([(330, 7, [head]), is_dng], absurd).replace(
            struct.pack("<HHI", 330, 7, 1), struct.pack("<HHI", 330, 0x404, 1)),
        "lying_note.dng": tiff_like([(37500, 4, [head]), is_dng], note).replace(
            struct.pack("<HHI", 37500, 4, 1), struct.pack("<HHI", 37500, 7, len(note))),
        "ring.dng": ring[:-4] + struct.pack("<I", 8),
        "heap_in_heap.crw": b"II" + struct.pack("<I", 14) + b"HEAPCCDR" + struct.pack("<H", 2)
        + 2 * heap_entry + bytes(4),
    }  # fmt: skip


def hostile_files():
    """Files that were made to break a reader; nothing but bytes."""
    small = [(256, 4, [WIDTH]), (257, 4, [HEIGHT]), (258, 3, [16]), (259, 3, [1])]
    is_dng = (50706, 1, [1, 4, 0, 0])
    pixels = bytes(2 * WIDTH * HEIGHT)
    one_strip = [(273, 4, [0]), (277, 3, [1]), (278, 4, [HEIGHT]), (279, 4, [len(pixels)])]
    plain = ["SIMPLE  =                    T", "BITPIX  =                    8", "NAXIS   =                    2"]
    return {
        "huge_tiles.dng": tiff_like([*small, (262, 3, [32803]), (277, 3, [1]), (322, 4, [4000000000]),
                                     (323, 4, [4000000000]), (324, 4, [8]), (325, 4, [16]), is_dng], b""),
        "many_values.dng": tiff_like([*small, (262, 3, [34892]), (273, 4, [0]), (277, 3, [65535]),
                                      (278, 4, [HEIGHT]), (279, 4, [len(pixels)]), is_dng], pixels),
        "white_below_black.dng": tiff_like([*small, (262, 3, [32803]), *one_strip, (33421, 3, [2, 2]),
                                            (33422, 1, [0, 1, 1, 2]), is_dng, (50714, 3, [512]), (50717, 3, [100])], pixels),
        "strip_beyond.tif": tiff_like([*small, (262, 3, [1]), (273, 4, [0]), (277, 3, [1]), (278, 4, [HEIGHT]),
                                       (279, 4, [4000000000])], pixels[:100]),
        "long_text.tif": tiff_like([*small, (262, 3, [1]), (270, 2, [8]), *one_strip], pixels).replace(
            struct.pack("<HHI", 270, 2, 1), struct.pack("<HHI", 256, 2, 0x20000000)),
        "in_a_circle.tif": b"II*\0" + struct.pack("<IHI", 8, 0, 8),
        "endless.fits": fits_by_hand([*plain, "NAXIS1  =      999999999999999", "NAXIS2  =      999999999999999"], b""),
        "negative.fits": fits_by_hand([*plain, "NAXIS1  =                  -48", "NAXIS2  =                   32"], b""),
        "dark.fits": fits_by_hand([*plain, "NAXIS1  =                   48", "NAXIS2  =                   32",
                                   "IMAGETYP= 'Dark Frame'"], bytes(48 * 32)),
        "phone.heic": b"\0\0\0\x18ftypheic\0\0\0\0mif1heic",
        "stacked.xisf": b"XISF0100" + bytes(24),
        **lying_raw_files(),
    }  # fmt: skip


def saved(picture, kind, **options):
    out = io.BytesIO()
    picture.save(out, kind, **options)
    return out.getvalue()


def png_claiming(width, height):
    """The header of a PNG of this size, with a little of a data chunk."""
    import zlib

    def chunk(name, body):
        return struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))

    head = chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0))
    return b"\x89PNG\r\n\x1a\n" + head + chunk(b"IDAT", zlib.compress(bytes(1000))) + chunk(b"IEND", b"")


def sound_frames():
    grey8 = Image.fromarray(srgb_bytes(light()))
    grey16 = Image.fromarray(words(light()))
    colour = grey8.convert("RGB")
    exif = exif_of_a_night()
    night = dict(EXPTIME=60.0, FOCALLEN=24.0, XPIXSZ=5.0, INSTRUME="HX-24")
    night["DATE-OBS"] = "2026-01-17T23:29:07.5"
    return {
        "colour.jpg": saved(colour, "JPEG", quality=95, exif=exif),
        "grey.jpg": saved(grey8, "JPEG", quality=95),
        "progressive.jpg": saved(colour, "JPEG", quality=95, progressive=True),
        "rgb.jpg": saved(colour, "JPEG", quality=95, keep_rgb=True),
        "turned.jpg": saved(colour.transpose(Image.Transpose.ROTATE_90), "JPEG", quality=95, exif=exif_of_a_night(6)),
        "colour8.png": saved(colour, "PNG", exif=exif),
        "grey16.png": saved(grey16, "PNG"),
        "colour8.tif": saved(colour, "TIFF"),
        "grey16.tif": grey16_tiff_with_exif(),
        "float.tif": saved(Image.fromarray(light().astype(np.float32)), "TIFF"),
        "word.fits": fits_bytes(words(light()), ROWORDER="TOP-DOWN", **night),
        "bottom_up.fits": fits_bytes(words(light())[::-1], **night),
        "float.fits": fits_bytes(light().astype(np.float32), ROWORDER="TOP-DOWN"),
        "mosaic.dng": dng(),
    }


def bad_frames(sound):
    holes = light().astype(np.float32)
    holes[5, 5:9] = np.nan
    nothing = np.full((HEIGHT, WIDTH), np.nan, np.float32)
    grey8 = Image.fromarray(srgb_bytes(light()))
    half = lambda name: sound[name][: len(sound[name]) // 2]
    without_end = sound["colour.jpg"][:-2]
    return {
        "empty.jpg": b"",
        "text.jpg": b"Notes of the night: clear, no wind, dew after two.\n",
        "half.jpg": half("colour.jpg"),
        "cut.jpg": sound["colour.jpg"][:-60],
        "half_progressive.jpg": half("progressive.jpg"),
        "no_end.jpg": without_end,
        "padded.jpg": without_end[:-200] + bytes(202),
        "no_exif.jpg": saved(grey8, "JPEG", quality=90),
        "nonsense_exif.jpg": saved(grey8, "JPEG", quality=90, exif=nonsense_exif()),
        "print_colours.jpg": saved(grey8.convert("CMYK"), "JPEG"),
        "really_a_png.jpg": sound["grey16.png"],
        "half.tif": half("grey16.tif"),
        "directory_lost.tif": sound["colour8.tif"][:100],
        "huge.tif": tiff_like([(256, 4, [70000]), (257, 4, [70000]), (258, 3, [8]), (259, 3, [1]), (262, 3, [1]),
                               (273, 4, [0]), (277, 3, [1]), (278, 4, [70000]), (279, 4, [1000])], bytes(1000)),
        "half.png": half("grey16.png"),
        "bomb.png": png_claiming(60000, 60000),
        "no_width.png": png_claiming(0, 100),
        "tiny.png": saved(grey8.crop((8, 4, 16, 12)), "PNG"),
        "holes.fits": fits_bytes(holes, ROWORDER="TOP-DOWN"),
        "no_numbers.fits": fits_bytes(nothing, ROWORDER="TOP-DOWN"),
        "half.fits": half("word.fits"),
        "no_end_card.fits": sound["word.fits"][:240],
        "cube.fits": fits_bytes(np.zeros((7, 16, 16), np.uint8)),
        "half.dng": half("mosaic.dng"),
        "huge.dng": tiff_like([(256, 4, [4000000000]), (257, 4, [4000000000]), (259, 3, [1]), (50706, 1, [1, 4, 0, 0])], b""),
        "empty_directory.dng": tiff_like([(50706, 1, [1, 4, 0, 0])], bytes(64)),
        "animation.gif": saved(grey8, "GIF"),
        **hostile_files(),
    }  # fmt: skip


def main():
    sound = sound_frames()
    for folder, files in (("frames", sound), ("bad", bad_frames(sound))):
        target = DATA / folder
        target.mkdir(parents=True, exist_ok=True)
        for name, content in files.items():
            (target / name).write_bytes(content)


if __name__ == "__main__":
    main()
