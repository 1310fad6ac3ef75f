//! Python functions and classes of weather.
