//! Links, the SCPI stack, dialects, the scope and the transport control.
//!
//! The way of the data: [`link`] moves bytes, [`scpi`] makes messages and answers of them,
//! [`dialect`] knows one family's words and its codes' scaling, [`scope`] turns a
//! [`CaptureRequest`] and a [`Hookup`] into [`Capture`]s, [`transport`] works the machine's keys.
//! Nothing here knows what tape is being played. Time comes from `tapewright-clock` alone.

pub mod capture;
pub mod causes;
pub mod dialect;
pub mod find;
pub mod hookup;
pub mod link;
pub mod request;
pub mod scope;
pub mod scpi;
pub mod transport;

pub use capture::{Capture, ChannelSetup, Setup, Trace};
pub use dialect::Dialect;
pub use hookup::{Coupling, Head, Hookup, Point};
pub use link::{Address, BoxFuture, Link, LinkError};
pub use request::{CaptureRequest, Detection, Edge, Slope, Trigger};
pub use scope::{Abilities, BenchCheck, Scope, ScopeError};
pub use scpi::{Session, SessionError};
pub use transport::{RelayTransport, StopHandle, TransportControl, TransportError};
