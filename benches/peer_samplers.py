"""Effective draws a second of the demo course's slowest unknown, by our sampler and by others.

The course is taken without its clipping records: their likelihood is not among what the others are given.

``python benches/peers.py samplers [draws] [steps] [draws on the copy]``; seconds are of processor time, settling and
compiling counted. As many draws settle as are kept, and a fifth of the steps.
"""

import time
from dataclasses import replace

import arviz as az
import emcee
import jax
import numpy as np
from independent import Whitened, by_ours, numpyro_nuts
from jax_copy import JaxCopy

import matledger as mat
from matledger._arrays import Floats

WALKERS = 100
PARCEL_MM, LONGEST_DAYS = 2.5, 30


def values(density: Whitened, white: Floats) -> Floats:
    """Log densities at rows, without slopes; none where the density is refused."""
    z = np.ascontiguousarray(density.coordinates(white))
    try:
        likelihood = density.fit.site.log_likelihoods(z).sum(axis=1)
    except RuntimeError:
        if len(z) == 1:
            return np.array([-np.inf])
        return np.concatenate([values(density, row[None]) for row in white])
    return likelihood - 0.5 * (z**2).sum(axis=1)


def by_emcee(density: Whitened, steps: int) -> tuple[Floats, str]:
    """Coordinates (walker, step, unknown) after a fifth of the steps, and what the walkers did."""
    start = np.random.default_rng(1).normal(size=(WALKERS, density.size))
    np.random.seed(1)
    sampler = emcee.EnsembleSampler(
        WALKERS, density.size, lambda white: values(density, white), moves=emcee.moves.DEMove(), vectorize=True
    )
    sampler.run_mcmc(start, steps)
    chain = sampler.get_chain(discard=steps // 5).swapaxes(0, 1)
    return density.coordinates(chain), (
        f"{WALKERS} walkers, {steps} steps of differential evolution, {sampler.acceptance_fraction.mean():.2f} accepted"
    )


def by_copy(density: Whitened, draws: int, chains: int = 2) -> tuple[Floats, str]:
    """Coordinates (chain, draw, unknown) by NumPyro's NUTS on the JAX copy, and what the chains did."""
    copy = JaxCopy(density.fit, parcel_mm=PARCEL_MM, longest_days=LONGEST_DAYS)
    slopes = jax.jit(jax.value_and_grad(copy))
    points = density.fit.coordinates[:20]
    apart = [float(slopes(z)[0]) - density.fit.log_density_and_gradient(z)[0] for z in points]
    ours = np.concatenate([read for read, _ in density.fit.site.predictions(np.ascontiguousarray(points))], axis=1)
    read = jax.jit(copy.predictions)
    errors = np.array([read(z) for z in points]) - ours
    print(
        f"JAX copy, {copy.parcels} parcels: log density at 20 draws {np.mean(apart):+.2f} from ours (sd"
        f" {np.std(apart):.2f}), readings up to {abs(errors).max():.4f}, rms {np.sqrt((errors**2).mean()):.4f} % OM;"
        f" a gradient takes {1e3 * _seconds(lambda z: slopes(z)[1].block_until_ready(), points):.1f} ms, ours"
        f" {1e3 * _seconds(density.fit.log_density_and_gradient, points):.1f} ms",
        flush=True,
    )
    starts = np.random.default_rng(1).normal(size=(chains, density.size))
    white, gradients, diverged = numpyro_nuts(
        lambda white: -copy(density.fit.mode + density.map @ white), starts, 1, draws, draws
    )
    return density.coordinates(white), (
        f"{chains} chains of {draws} and {draws}, {gradients / (chains * draws):.1f} gradients a draw,"
        f" {diverged} diverged"
    )


def _seconds(work, points: Floats) -> float:
    times = []
    for z in points:
        begin = time.process_time()
        work(z)
        times.append(time.process_time() - begin)
    return min(times)


def main(draws: int = 1000, steps: int = 5000, copied: int = 400) -> None:
    """Print what each sampler did, and by how many times ours makes more effective draws a second."""
    course = replace(mat.demo_course(), clippings=())
    density = Whitened(course)
    ways = {
        "matledger": lambda: by_ours(course, draws, draws),
        "emcee, same density": lambda: by_emcee(density, steps),
        "NumPyro's NUTS, JAX copy": lambda: by_copy(density, copied),
    }
    print(
        "| sampler | effective draws | largest R-hat | processor time (s) | effective draws a second | ours over it |"
    )
    print("| --- | --- | --- | --- | --- | --- |")
    first = None
    for name, way in ways.items():
        clock = time.process_time()
        coordinates, told = way()
        seconds = time.process_time() - clock
        columns = [np.ascontiguousarray(coordinates[:, :, i]) for i in range(density.size)]
        effective = min(az.ess(column) for column in columns)
        rate = effective / seconds
        first = first or rate
        print(
            f"| {name}: {told} | {effective:.0f} | {max(az.rhat(column) for column in columns):.3f} | {seconds:.0f} |"
            f" {rate:.3g} | {first / rate:.1f} |",
            flush=True,
        )
