//! A simulated scope on a simulated tape machine.
