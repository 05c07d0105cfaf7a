//! Links, the SCPI stack, dialects, the scope and the transport control.
