"""LibRaw's unpack alone, file by file: a floor for whatever decodes with it.

    python unpack.py FOLDER
"""

import sys
from pathlib import Path

import rawpy

for path in sorted(p for p in Path(sys.argv[1]).iterdir() if p.suffix.lower() == ".dng"):
    with rawpy.imread(str(path)) as raw:
        print(path.name, raw.raw_image.shape, int(raw.raw_image[0, 0]))
