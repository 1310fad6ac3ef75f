//! Turns unknowns into a density and finds what the soil tests say about them. Never steps a parcel.
