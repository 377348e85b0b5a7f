"""Times radicand beside LibRaw's unpack and a script of general-purpose libraries.

One run after another on the same files; prints seconds, peak memory and ratios.

    pip install -r requirements.txt
    python run.py target/release/radicand FOLDER [--rounds 1] [--without-script]
"""

import argparse
import os
import shutil
import sys
import tempfile
import time
from pathlib import Path

HERE = Path(__file__).parent


def timed(command):
    """Seconds on the clock, CPU seconds and peak memory (MiB) of a command."""
    start = time.perf_counter()
    child = os.fork()
    if child == 0:
        quiet = os.open(os.devnull, os.O_WRONLY)
        os.dup2(quiet, 1)
        os.execvp(command[0], command)
    _, status, used = os.wait4(child, 0)
    if os.waitstatus_to_exitcode(status) not in (0, 3):
        sys.exit(f"failed: {' '.join(command)}")
    cpu_s = used.ru_utime + used.ru_stime
    return time.perf_counter() - start, cpu_s, used.ru_maxrss / 1024


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("radicand")
    parser.add_argument("folder")
    parser.add_argument("--rounds", type=int, default=1)
    parser.add_argument("--without-script", action="store_true")
    asked = parser.parse_args()
    work = Path(tempfile.mkdtemp(dir="."))
    jobs = {
        "radicand stack": [asked.radicand, "stack", asked.folder, "-o", str(work / "a"), "-q"],
        "LibRaw unpack": [sys.executable, str(HERE / "unpack.py"), asked.folder],
        "script": [sys.executable, str(HERE / "by_hand.py"), asked.folder, str(work / "c.tif")],
    }
    if asked.without_script:
        del jobs["script"]
    best = {}
    for _ in range(asked.rounds):
        for name, command in jobs.items():
            shutil.rmtree(work / "a", ignore_errors=True)
            figures = timed(command)
            best[name] = min(best.get(name, figures), figures)
    shutil.rmtree(work)
    own = best["radicand stack"][0]
    print("| job | seconds | CPU seconds | peak MiB | times radicand's seconds |")
    print("|---|---|---|---|---|")
    for name, (seconds, cpu_s, mib) in best.items():
        print(f"| {name} | {seconds:.1f} | {cpu_s:.1f} | {mib:.0f} | {seconds / own:.2f} |")


if __name__ == "__main__":
    main()
