//! Weighs programmes against each other. Reads forecasts and never fits.
