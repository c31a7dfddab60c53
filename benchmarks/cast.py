"""What a cast costs beyond its solves, and what it survives.

    python benchmarks/cast.py [overhead] [many] [speed] [faults] [--data DIR] [--jobs N]

overhead: processor seconds for a job that does nothing, of the caller and of the process it forks.
many: a thousand jobs of a small rig: memory and open files of the caller on the way, size of the
page. speed: the rigs of a folder with one worker and with two, turn about. faults: twenty workers
killed, the scheduler restarted, the disk full (a small file system in memory; for root alone), a
folder that cannot be written: whether a second run gives the bits of an undisturbed one.
"""

import argparse
import os
import random
import subprocess
import sys
import threading
import time
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory

from artists import DATA

from autoweight.batch.apart import Limits, apart
from autoweight.cast.page import write_tables
from autoweight.cast.running import FAILED, run
from autoweight.cast.sheet import parse_cast

sys.path.insert(0, str(Path(__file__).parent.parent / "tests" / "given"))
import chores
from clusters import cluster
from tori import bare, torus
from troupe import contents, troupe

from autoweight import save

TICKS = os.sysconf("SC_CLK_TCK")


def sheet(folder: Path, text: str):
    return parse_cast(text, str(folder / "cast.toml"))


def spent(pid: int) -> float:
    """Processor seconds of a process and of the children it has waited for."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return sum(map(int, fields[11:15])) / TICKS


def servers() -> list[int]:
    """Processes that this one started and that fork others."""
    children = Path(f"/proc/self/task/{os.getpid()}/children").read_text().split()
    return [
        int(each)
        for each in children
        if b"forkserver" in Path(f"/proc/{each}/cmdline").read_bytes()
    ]


def overhead(jobs: int = 100) -> None:
    limits = Limits(60, 4000)
    begun = spent(os.getpid())
    apart(chores.double, 0, limits)
    (server,) = servers()
    first = spent(os.getpid()) - begun + spent(server)
    before = spent(os.getpid()) + spent(server)
    for number in range(jobs):
        apart(chores.double, number, limits)
    each = (spent(os.getpid()) + spent(server) - before) / jobs
    print(f"start of a worker's server {first:.2f} s, each job {1e3 * each:.1f} ms of processor")


def many(jobs: int) -> None:
    with TemporaryDirectory() as scratch:
        folder = Path(scratch)
        for number in range(jobs):
            save(bare(*torus(12, 6, tube=0.2 + 0.0001 * number)), folder / f"r{number:04}.glb")
        text = 'defaults = { flex = false, page = false }\ncharacter = [{ rig = "*.glb" }]'

        def look(done: int, of: int, line) -> None:
            if done % (of // 5) == 0:
                status = Path("/proc/self/status").read_text().split("VmRSS:")[1].split()[0]
                handles = len(os.listdir("/proc/self/fd"))
                print(f"{done:5} done: {int(status) / 1e3:.0f} MB, {handles} files open")

        begun = time.perf_counter()
        lines = run(sheet(folder, text), folder / "out", workers=1, told=look)
        took = time.perf_counter() - begun
        page = write_tables(lines, folder / "out", "many")[-1]
        print(f"{took:.0f} s, page {page.stat().st_size / 1e6:.2f} MB")
        begun = time.perf_counter()
        again = run(sheet(folder, text), folder / "out", workers=1)
        assert not any(line.fresh for line in again)
        print(f"again, nothing to do: {time.perf_counter() - begun:.2f} s")


def speed(data: Path) -> None:
    text = f'defaults = {{ page = false }}\ncharacter = [{{ rig = "{data}/*.glb" }}]'
    with TemporaryDirectory() as scratch:
        folder = Path(scratch)
        took = {}
        for workers in (1, 2, 1, 2):
            into = folder / f"{workers}_{len(took)}"
            begun = time.perf_counter()
            lines = run(sheet(folder, text), into, workers=workers)
            took.setdefault(workers, []).append(time.perf_counter() - begun)
            work = sum(line.told.seconds for line in lines if line.told)
            print(f"{workers} workers: {took[workers][-1]:.1f} s for {work:.1f} s of work")
        ratios = [one / two for one, two in zip(took[1], took[2], strict=True)]
        print("one against two:", ", ".join(f"{each:.2f}" for each in ratios))
        same = contents(folder / "1_0") == contents(folder / "2_1")
        print("the same bits" if same else "OTHER BITS")


def told(name: str, calm: dict, found: dict, first: list) -> None:
    failed = sum(line.verdict == FAILED for line in first)
    for trouble in sorted({line.trouble for line in first if line.trouble}):
        print(f"    {trouble}")
    same = "the same bits" if found == calm else "OTHER BITS"
    print(f"{name}: {failed} failed in the first run; after the second {same}")


def faults() -> None:
    import psutil

    text = 'defaults = { page = false }\ncharacter = [{ rig = "*.glb" }]'
    chance = random.Random(1)
    with TemporaryDirectory() as scratch:
        folder = Path(scratch)
        troupe(folder, *(f"newt{number:02}" for number in range(12)))
        cast = sheet(folder, text)
        run(cast, folder / "calm", workers=1)
        calm = contents(folder / "calm")

        lines: list = []

        def first(into: Path, **more) -> threading.Thread:
            lines.clear()
            thread = threading.Thread(target=lambda: lines.extend(run(cast, into, **more)))
            thread.start()
            return thread

        killed = wrong = 0
        while killed < 20:
            with cluster(folder) as (address, started):
                # A nanny whose worker dies while it starts gives up; the other must not be alone.
                while killed < 20 and all(each.poll() is None for each in started):
                    into = folder / f"killed{killed}"
                    thread = first(into, scheduler=address)
                    time.sleep(chance.uniform(0.2, 4))
                    for child in psutil.Process(started[1].pid).children():
                        if "resource_tracker" not in " ".join(child.cmdline()):
                            child.kill()
                    killed += 1
                    thread.join()
                    run(cast, into, workers=1)
                    wrong += contents(into) != calm
        print(f"{killed} workers killed, one a run; {wrong} times other bits after a second run")

        into = folder / "restarted"
        with cluster(folder) as (address, started):
            thread = first(into, scheduler=address)
            while not (into / ".kept").exists() or len(list((into / ".kept").iterdir())) < 3:
                time.sleep(0.1)
            started[0].kill()
            thread.join()
        run(cast, into, workers=1)
        told("scheduler restarted", calm, contents(into), lines)

        into = folder / "replaced"
        thread = first(into, workers=2)
        for _ in range(5):
            time.sleep(1)
            troupe(folder, "newt00")  # the same again, as an exporter would
        thread.join()
        run(cast, into, workers=1)
        told("rig written again meanwhile", calm, contents(into), lines)

        if os.getuid() == 0:
            with small_disk(folder / "full") as into:
                first(into, workers=1).join()
                some = list(lines)
                subprocess.run(["mount", "-o", "remount,size=50m", str(into)], check=True)
                run(cast, into, workers=1)
                told("disk full", calm, contents(into), some)
            with small_disk(folder / "locked") as into:
                subprocess.run(["mount", "-o", "remount,size=50m,ro", str(into)], check=True)
                first(into, workers=1).join()
                some = list(lines)
                subprocess.run(["mount", "-o", "remount,rw", str(into)], check=True)
                run(cast, into, workers=1)
                told("folder read-only", calm, contents(into), some)


@contextmanager
def small_disk(place: Path):
    """A file system of 300 KB."""
    place.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "-o", "size=300k", "tmpfs", str(place)], check=True)
    try:
        yield place
    finally:
        subprocess.run(["umount", str(place)], check=True)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("parts", nargs="*", default=["overhead", "many", "speed", "faults"])
    parser.add_argument("--data", type=Path, default=DATA / "rigs")
    parser.add_argument("--jobs", type=int, default=1000)
    given = parser.parse_args()
    sys.stdout.reconfigure(line_buffering=True)
    for part in given.parts:
        print(f"-- {part}")
        {
            "overhead": overhead,
            "many": lambda: many(given.jobs),
            "speed": lambda: speed(given.data.absolute()),
            "faults": faults,
        }[part]()


if __name__ == "__main__":
    main()
