"""Chains of draws: run in blocks, kept on disk between them, given back as they are on Ctrl-C."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TypeAlias

import numpy as np
import numpy.typing as npt

from matledger import _core
from matledger._arrays import Floats, frozen
from matledger.atomic import fresh_file
from matledger.errors import InputError, Problem

__all__ = ["Chains", "in_turn", "sample"]

BLOCK = 100
"""Draws of each chain between two looks at Ctrl-C and two writes of the checkpoint."""

Fit: TypeAlias = tuple[Floats, float, float, int, bool, Floats]
State: TypeAlias = tuple[int, int, list[float], float]
Coordinates: TypeAlias = tuple[Floats, Floats, Floats, Floats]


@dataclass(frozen=True, kw_only=True, eq=False)
class Chains:
    """What a sampler did beside its draws.

    Attributes
    ----------
    coordinates
        Draws of the coordinates, shape ``(chain, draw, unknown)``.
    energy, log_density
        Hamiltonian and log density at each draw, shape ``(chain, draw)``.
    diverging, cut
        Whether the trajectory diverged or was cut at the most doublings, shape ``(chain, draw)``.
    gradients
        Gradients that the draw took, shape ``(chain, draw)``.
    step_size
        Of each chain, in the coordinates that were learnt while the chains settled.
    tune
        Draws of each chain spent on settling step size and coordinates.
    interrupted
        Whether Ctrl-C ended the run before all draws were made.
    """

    coordinates: Floats
    energy: Floats
    log_density: Floats
    diverging: npt.NDArray[np.bool_]
    cut: npt.NDArray[np.bool_]
    gradients: npt.NDArray[np.int64]
    step_size: Floats
    tune: int
    interrupted: bool


def in_turn(coordinates: Floats) -> Floats:
    """Draws of all chains, which take turns, so that the first stand for all of them."""
    return np.ascontiguousarray(coordinates.transpose(1, 0, 2).reshape(-1, coordinates.shape[2]))


ARRAYS = ("coordinates", "energy", "log_density", "diverging", "gradients", "cut")


def sample(
    site: _core.Site | _core.Sites,
    fit: Fit,
    *,
    chains: int,
    draws: int,
    tune: int,
    seed: int,
    target_accept: float,
    checkpoint: Path | None,
    progress: Callable[[int], object] | None,
) -> Chains:
    """Run chains, in coordinates that start from the mode's normal approximation and are learnt from their draws.

    Raises
    ------
    InputError
        For settings outside their domain or a checkpoint of another fit.
    KeyboardInterrupt
        On Ctrl-C before the first block of draws.
    """
    asked = (tune, target_accept, 10, seed)
    mark = _mark(site, fit, asked, chains)
    settled, kept = (None, {}) if checkpoint is None else _read(checkpoint, mark, chains)
    done = 0

    def tell(count: int) -> object:
        return None if progress is None else progress(done + count)

    if settled is None:
        settled = site.settle_chains(fit, asked, chains, tell)
        _write(checkpoint, mark, settled, kept)
    coordinates, states = settled
    done = tune * chains
    interrupted = False
    made = kept["energy"].shape[1] if kept else 0
    while made < draws and not interrupted:
        size = BLOCK if checkpoint is not None else min(BLOCK, draws - made)
        try:
            run = site.advance_chains(fit, coordinates, asked, states, size, tell)
        except KeyboardInterrupt:
            if not made:
                raise
            interrupted = True
            break
        states = [state for _, state in run]
        block = {
            "coordinates": np.stack([rows[0] for rows, _ in run]),
            **{name: np.array([rows[i] for rows, _ in run]) for i, name in enumerate(ARRAYS) if i},
        }
        kept = {name: np.concatenate([kept[name], block[name]], axis=1) if kept else block[name] for name in ARRAYS}
        made += size
        done += size * chains
        _write(checkpoint, mark, (coordinates, states), kept)
    whole = {name: array[:, :draws] for name, array in kept.items()}
    return Chains(
        coordinates=frozen(whole["coordinates"]),
        energy=frozen(whole["energy"]),
        log_density=frozen(whole["log_density"]),
        diverging=whole["diverging"].astype(np.bool_),
        cut=whole["cut"].astype(np.bool_),
        gradients=whole["gradients"].astype(np.int64),
        step_size=np.array([state[3] for state in states]),
        tune=tune,
        interrupted=interrupted,
    )


def _mark(site: _core.Site | _core.Sites, fit: Fit, asked: tuple[int, float, int, int], chains: int) -> str:
    """What makes two fits the same: settings, names, mode, information and the density at the mode."""
    digest = hashlib.sha256(repr((asked, chains, site.names, fit[1])).encode())
    digest.update(fit[0].tobytes())
    digest.update(fit[5].tobytes())
    return digest.hexdigest()


def _write(
    path: Path | None, mark: str, settled: tuple[Coordinates, list[State]], kept: dict[str, npt.NDArray[np.generic]]
) -> None:
    if path is None:
        return
    (skews, shears, centre, lower), states = settled
    with fresh_file(path) as draft, draft.open("wb") as file:
        np.savez(
            file,
            allow_pickle=False,
            mark=np.array(mark),
            blocks=np.array([state[1] for state in states]),
            position=np.array([state[2] for state in states]),
            step_size=np.array([state[3] for state in states]),
            skews=skews,
            shears=shears,
            centre=centre,
            lower=lower,
            **kept,
        )


def _read(
    path: Path, mark: str, chains: int
) -> tuple[tuple[Coordinates, list[State]] | None, dict[str, npt.NDArray[np.generic]]]:
    if not path.exists():
        return None, {}
    try:
        with path.open("rb") as file, np.load(file, allow_pickle=False) as held:
            found = {name: held[name] for name in held.files}
        same = str(found.pop("mark")) == mark
        blocks, position, step_size = (found.pop(name) for name in ("blocks", "position", "step_size"))
        coordinates = tuple(found.pop(name) for name in ("skews", "shears", "centre", "lower"))
        states = [(i, int(blocks[i]), position[i].tolist(), float(step_size[i])) for i in range(chains)]
        shapes = {array.shape[:2] for array in found.values()}
        if found and (set(found) != set(ARRAYS) or len(shapes) != 1 or shapes.pop()[0] != chains):
            raise ValueError("arrays that do not fit together")
    except Exception as error:  # zipfile, zlib and numpy each raise several kinds of their own
        expected = "a checkpoint that can be read, as an earlier run wrote it, or the name of a new file"
        raise InputError([Problem("checkpoint", str(path), expected)]) from error
    if not same:
        raise InputError(
            [Problem("checkpoint", f"{path} is of another fit", "the same course, priors and settings, or a new file")]
        )
    return (coordinates, states), found
