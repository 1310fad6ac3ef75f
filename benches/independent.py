"""The demo course's posterior by our sampler and by NumPyro's, on the same density, side by side.

``pip install -r requirements/bench.txt`` and ``python benches/independent.py [draws] [tune] [chains]``.

NumPyro's NUTS gets the density through `Calibration.log_density_and_gradient`, in coordinates whitened at the mode by a
linear map: it shares no code of ours that samples, and none that straightens ridges. Means and standard deviations of
every unknown, in its own unit, are compared in Monte Carlo standard errors of both (ArviZ).
"""

import sys
import time
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context

import arviz as az
import numpy as np

import matledger as mat
from matledger._arrays import Floats

CHAINS = 4
"""Of ours; NumPyro's are asked for."""


class Whitened:
    """A course's density in coordinates that are standard normal by Laplace's approximation."""

    def __init__(self, course: mat.Course) -> None:
        self.fit = mat.calibrate(course, method="laplace", seed=1)
        self.map = np.linalg.inv(np.linalg.cholesky(self.fit.information)).T
        self.size = len(self.fit.names)

    def coordinates(self, white: Floats) -> Floats:
        """The density's own coordinates."""
        return self.fit.mode + white @ self.map.T

    def __call__(self, white: Floats) -> tuple[Floats, Floats]:
        """Log density and gradient; none where the density is refused, as it is for decay beyond all foreseen."""
        try:
            value, slope = self.fit.log_density_and_gradient(self.coordinates(np.asarray(white)))
        except RuntimeError:
            return np.float64(-np.inf), np.zeros(self.size)
        return np.float64(value), slope @ self.map


def numpyro_nuts(potential, starts: Floats, seed: int, draws: int, tune: int) -> tuple[Floats, int, int]:
    """Draws (chain, draw, unknown) of NumPyro's NUTS from each start, with their gradients and divergences."""
    import jax
    import jax.numpy as jnp
    from numpyro.infer import MCMC, NUTS

    sampler = MCMC(
        NUTS(potential_fn=potential, target_accept_prob=0.85),
        num_warmup=tune,
        num_samples=draws,
        num_chains=len(starts),
        chain_method="sequential",
        progress_bar=False,
    )
    first = jnp.asarray(starts if len(starts) > 1 else starts[0])
    sampler.run(jax.random.PRNGKey(seed), init_params=first, extra_fields=("num_steps", "diverging"))
    told = sampler.get_extra_fields()
    found = np.asarray(sampler.get_samples(group_by_chain=True))
    return found, int(told["num_steps"].sum()), int(told["diverging"].sum())


def on_our_density(seed: int, draws: int, tune: int) -> tuple[Floats, int, int, float]:
    """One chain of NumPyro's NUTS: coordinates, gradients and divergences of its draws, processor time [s]."""
    import jax
    import jax.numpy as jnp

    jax.config.update("jax_enable_x64", True)
    jax.config.update("jax_cpu_enable_async_dispatch", False)
    density = Whitened(mat.demo_course())
    shapes = (jax.ShapeDtypeStruct((), jnp.float64), jax.ShapeDtypeStruct((density.size,), jnp.float64))

    def both(white):
        return jax.pure_callback(density, shapes, white, vmap_method="sequential")

    @jax.custom_vjp
    def potential(white):
        return -both(white)[0]

    def forth(white):
        value, slope = both(white)
        return -value, -slope

    potential.defvjp(forth, lambda slope, above: (above * slope,))
    clock = time.process_time()
    start = np.random.default_rng(seed).normal(size=(1, density.size))
    (white,), gradients, diverged = numpyro_nuts(potential, start, seed, draws, tune)
    return density.coordinates(white), gradients, diverged, time.process_time() - clock


def by_numpyro(draws: int, tune: int, chains: int) -> tuple[Floats, str]:
    """Coordinates (chain, draw, unknown) and what the chains did."""
    with ProcessPoolExecutor(2, mp_context=get_context("spawn")) as pool:
        runs = list(pool.map(on_our_density, range(chains), [draws] * chains, [tune] * chains))
    found, gradients, diverged, seconds = zip(*runs, strict=True)
    return np.stack(found), (
        f"{sum(gradients) / (chains * draws):.1f} gradients a draw, {sum(diverged)} diverged,"
        f" {sum(seconds):.0f} s of processor time"
    )


def by_ours(course: mat.Course, draws: int, tune: int) -> tuple[Floats, str]:
    """Coordinates (chain, draw, unknown) and what the chains did."""
    clock = time.process_time()
    run = mat.calibrate(course, method="nuts", chains=CHAINS, draws=draws, tune=tune, seed=1).chains
    assert run is not None
    return run.coordinates, (
        f"{run.gradients.mean():.1f} gradients a draw, {run.diverging.sum()} diverged,"
        f" {time.process_time() - clock:.0f} s of processor time"
    )


def summary(values: Floats) -> tuple[float, ...]:
    """Mean and standard deviation, each with its Monte Carlo error; effective draws, R-hat."""
    mean, sd = values.mean(), values.std(ddof=1)
    square = (values - mean) ** 2
    mean_error = sd / np.sqrt(az.ess(values, method="mean"))
    sd_error = square.std(ddof=1) / np.sqrt(az.ess(square, method="mean")) / (2 * sd)
    return mean, mean_error, sd, sd_error, az.ess(values, method="bulk"), az.rhat(values)


def main(draws: int = 1200, tune: int = 600, chains: int = CHAINS) -> None:
    """Print both posteriors and how far they lie apart."""
    density = Whitened(mat.demo_course())
    told = []
    ways = {
        "matledger": lambda: by_ours(mat.demo_course(), draws, tune),
        "NumPyro": lambda: by_numpyro(draws, tune, chains),
    }
    for name, way in ways.items():
        coordinates, what = way()
        flat = coordinates.reshape(-1, density.size)
        heights = np.array([density.fit.log_density_and_gradient(z)[0] for z in flat])
        values = np.column_stack([density.fit.site.natural(flat), heights]).reshape(*coordinates.shape[:2], -1)
        found = np.array([summary(np.ascontiguousarray(values[:, :, i])) for i in range(values.shape[2])]).T
        told.append(found)
        print(
            f"{name}: {len(coordinates)} chains of {tune} and {draws}, {what}; largest R-hat {found[5].max():.4f},"
            f" fewest effective draws {found[4].min():.0f}",
            flush=True,
        )
    (mean, mean_error, sd, sd_error, *_), (mean2, mean_error2, sd2, sd_error2, *_) = told
    apart = (mean - mean2) / np.hypot(mean_error, mean_error2)
    wide = (sd - sd2) / np.hypot(sd_error, sd_error2)
    print("| unknown | mean | NumPyro's | apart, errors | sd | NumPyro's | apart, errors |")
    print("| --- | --- | --- | --- | --- | --- | --- |")
    for i, name in enumerate((*density.fit.names, "log_density")):
        row = f"{mean[i]:.4g} | {mean2[i]:.4g} | {apart[i]:+.1f} | {sd[i]:.3g} | {sd2[i]:.3g} | {wide[i]:+.1f}"
        print(f"| `{name}` | {row} |")
    for what, differences in (("means", apart), ("standard deviations", wide)):
        print(
            f"{what}: {len(differences)} differences, rms {np.sqrt(np.mean(differences**2)):.2f}, largest"
            f" {np.abs(differences).max():.1f} errors, {(np.abs(differences) > 2).sum()} beyond 2"
        )


if __name__ == "__main__":
    main(*map(int, sys.argv[1:4]))
