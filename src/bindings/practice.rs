//! Python classes of practice.
