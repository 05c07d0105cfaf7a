//! Tests of the instrument room from outside: one program, since each links everything.

mod common;
mod corpus;
mod dialects;
mod economy;
mod fake_scope;
mod hislip;
mod links;
mod manners;
mod relay;
mod scope;
mod scope_faults;
mod session;
mod usbtmc;
