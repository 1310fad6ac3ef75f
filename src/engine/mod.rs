//! When and for how many: one fixed plan of stretches and work, run over any number type.
