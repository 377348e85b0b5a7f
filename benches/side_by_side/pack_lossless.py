"""Packs simulated frames as lossless-JPEG DNG files, as cameras and converters write them.

    python pack_lossless.py FOLDER OUT
"""

import struct
import sys
from pathlib import Path

import imagecodecs
import numpy as np

COMPRESSION, STRIP_OFFSETS, STRIP_BYTES, EXIF_IFD = 259, 273, 279, 34665
WIDTH, HEIGHT = 256, 257
LOSSLESS_JPEG = 7
BYTES_OF_TYPE = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 7: 1, 9: 4, 10: 8}


def entries(data, ifd):
    """Tag, type, count and place of the value field of every entry of an IFD."""
    (n,) = struct.unpack_from("<H", data, ifd)
    for i in range(n):
        at = ifd + 2 + 12 * i
        tag, kind, count = struct.unpack_from("<HHI", data, at)
        yield tag, kind, count, at + 8


def packed(data):
    """The bytes of a little-endian DNG of one uncompressed 16-bit strip, compressed."""
    (ifd,) = struct.unpack_from("<I", data, 4)
    fields = {tag: at for tag, _, _, at in entries(data, ifd)}

    def value(tag):
        return struct.unpack_from("<I", data, fields[tag])[0]

    width, height = value(WIDTH), value(HEIGHT)
    start = value(STRIP_OFFSETS)
    end = start + value(STRIP_BYTES)
    mosaic = np.frombuffer(data[start:end], "<u2").reshape(height, width)
    strip = imagecodecs.ljpeg_encode(np.ascontiguousarray(mosaic), bitspersample=16)
    strip += b"\0" * (len(strip) % 2)
    moved = len(strip) - (end - start)
    new = bytearray(data)

    def shift(at):
        (offset,) = struct.unpack_from("<I", new, at)
        if offset >= end:
            struct.pack_into("<I", new, at, offset + moved)

    for directory in [ifd, value(EXIF_IFD)]:
        for tag, kind, count, at in entries(data, directory):
            if tag == EXIF_IFD or BYTES_OF_TYPE[kind] * count > 4:
                shift(at)
    shift(4)
    struct.pack_into("<H", new, fields[COMPRESSION], LOSSLESS_JPEG)
    struct.pack_into("<I", new, fields[STRIP_BYTES], len(strip))
    return bytes(new[:start] + strip + new[end:])


def main(folder, out):
    Path(out).mkdir(parents=True)
    for path in sorted(Path(folder).glob("*.dng")):
        (Path(out) / path.name).write_bytes(packed(path.read_bytes()))


if __name__ == "__main__":
    main(sys.argv[1], sys.argv[2])
