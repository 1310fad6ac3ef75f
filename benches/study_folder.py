"""A study folder of invented sites, run by one dask worker and by two, and in one process with ever more sites.

``python benches/study_folder.py workers SITES ROUNDS`` prints the time of one worker over that of two, and the
processor time of this process and of the workers, which bounds it: what is done here is done by one;
``python benches/study_folder.py memory SITES SITES ...`` the peak memory of a study of so many sites, each number in a
process of its own, beside the size of its results; ``python benches/study_folder.py limit MB SITES`` runs a study in a
process that may not have more than so many MB of data, and then tries to hold all its results at once.
"""

import resource
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

import matledger as mat
from matledger.demo import demo_folder

SETTINGS = 'seed = 3\nyears = 5\ndraws = {draws}\nweather_sequences = 20\npooling = "pooled"\n'


def study(home: Path, sites: int, draws: int) -> Path:
    """A folder of sites that are all the demo course."""
    for number in range(sites):
        shutil.copytree(demo_folder(), home / "sites" / f"site {number:03}")
    (home / "study.toml").write_text(SETTINGS.format(draws=draws))
    return home


def workers(sites: int, rounds: int) -> None:
    """Time one worker and two in turn."""
    from distributed import Client, LocalCluster

    taken: dict[int, list[float]] = {1: [], 2: []}
    _warm()
    with tempfile.TemporaryDirectory() as folder:
        home = study(Path(folder), sites, 400)
        for _ in range(rounds):
            for count in taken:
                with (
                    LocalCluster(n_workers=count, threads_per_worker=1, dashboard_address=None) as cluster,
                    Client(cluster) as client,
                ):
                    client.run(_warm)
                    before, here = client.run(time.process_time), time.process_time()
                    began = time.perf_counter()
                    mat.run_study(home, executor=client.get_executor(pure=False))
                    taken[count].append(time.perf_counter() - began)
                    here = time.process_time() - here
                    there = [now - before[worker] for worker, now in client.run(time.process_time).items()]
                    spent = ", ".join(f"{t:.1f}" for t in there)
                    print(f"{count} workers: processor time {spent} s there, {here:.1f} s here", flush=True)
    for count, times in taken.items():
        print(f"{count} workers: {', '.join(f'{t:.1f}' for t in times)} s for {sites} sites")
    ratios = np.array(taken[1]) / np.array(taken[2])
    print(f"one over two: {', '.join(f'{r:.2f}' for r in ratios)}; median {np.median(ratios):.2f}")


def _warm() -> None:
    import xarray  # noqa: F401
    import zarr  # noqa: F401

    mat.calibrate(mat.demo_course(), draws=10)


def memory(counts: list[int]) -> None:
    """Run each study in a process of its own."""
    for count in counts:
        subprocess.run([sys.executable, __file__, "one", str(count)], check=True)


def one(sites: int) -> None:
    """Run a study and read its contrasts; print the peak and the size of the results."""
    with tempfile.TemporaryDirectory() as folder:
        run = mat.run_study(study(Path(folder), sites, 1000))
        first, second, *_ = (str(name) for name in run.site(run.sites[0])["programme"].values)
        run.contrasts(first, second)
        size = sum(run.site(name).nbytes for name in run.sites)
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        print(f"{sites} sites: peak {peak:.0f} MB, results {size / 2**20:.0f} MB when read", flush=True)
        if resource.getrlimit(resource.RLIMIT_DATA)[0] != resource.RLIM_INFINITY:
            try:
                held = [run.site(name).load() for name in run.sites]
            except MemoryError:
                print("all of it at once does not fit")
            else:
                print(f"all {len(held)} sites fit at once: the limit was too wide to show anything")


def limit(megabytes: int, sites: int) -> None:
    """Run a study with little memory."""
    resource.setrlimit(resource.RLIMIT_DATA, (megabytes * 2**20,) * 2)
    print(f"no more than {megabytes} MB of data")
    one(sites)


if __name__ == "__main__":
    match sys.argv[1:]:
        case ["workers", sites, rounds]:
            workers(int(sites), int(rounds))
        case ["memory", *counts]:
            memory([int(count) for count in counts])
        case ["limit", megabytes, sites]:
            limit(int(megabytes), int(sites))
        case ["one", sites]:
            one(int(sites))
        case _:
            sys.exit(__doc__)
