"""Times radicand beside LibRaw's unpack and a script of general-purpose libraries.

One run after another on the same files; prints seconds, peak memory and ratios.

    pip install -r requirements.txt
    python run.py target/release/radicand FOLDER [--more FOLDER] [--memory SIZE]
                  [--rounds 1] [--without-script]
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
    """Seconds on the clock, CPU seconds and peak memory (MiB) of a command.

    The peak is that of the largest process: radicand decodes in a child, which is smaller.
    """
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


def jobs(asked, work):
    """What is timed: a name and a command each."""
    own = [asked.radicand, "stack", "-q", "-o", str(work / "stack")]
    if asked.memory:
        own += ["--memory", asked.memory]
    yield "radicand stack", [*own, asked.folder]
    yield "LibRaw unpack", [sys.executable, str(HERE / "unpack.py"), asked.folder]
    if not asked.without_script:
        script = [sys.executable, str(HERE / "by_hand.py"), asked.folder]
        yield "script", [*script, str(work / "script.tif")]
    if asked.more:
        yield "radicand stack, more lights", [*own, asked.more]


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("radicand")
    parser.add_argument("folder")
    parser.add_argument("--more", help="a folder of more lights, for radicand alone")
    parser.add_argument("--memory", help="passed on to radicand")
    parser.add_argument("--rounds", type=int, default=1, help="the fastest counts")
    parser.add_argument("--without-script", action="store_true")
    asked = parser.parse_args()
    work = Path(tempfile.mkdtemp(dir="."))
    best = {}
    for _ in range(asked.rounds):
        for name, command in jobs(asked, work):
            shutil.rmtree(work / "stack", ignore_errors=True)
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
