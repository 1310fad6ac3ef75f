//! What happens to the ground: parcels that grow, decay, lose cores, take sand and answer tests. Knows no date.
