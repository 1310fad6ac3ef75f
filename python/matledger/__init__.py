"""Organic matter in putting greens: how much the turf makes, what coring and sanding do, what that costs."""

from matledger._core import VERSION as __version__

__all__ = ["__version__"]
