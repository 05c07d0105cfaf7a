//! The server: binds, says where, serves until told to end.

use super::guard::{self, Guard};
use super::listener::Bounded;
use super::routes::{self, Shared};
use super::{Api, Token, TokenError, limits};
use std::net::SocketAddr;
use std::path::PathBuf;
use std::sync::Arc;
use tapewright_clock::Clock;
use tokio::net::TcpListener;
use tokio::sync::watch;

/// Where and for whom to serve.
#[derive(Debug, Clone)]
pub struct ServeOptions {
    /// Where to listen; port 0 takes any free one.
    pub address: SocketAddr,
    /// The token file; made if it is not there.
    pub token_file: PathBuf,
    /// Whether an address beyond loopback was asked for in so many words.
    pub beyond_loopback: bool,
    /// Further host names that clients may use, without port.
    pub names: Vec<String>,
}

/// What keeps a server from serving.
#[derive(Debug, thiserror::Error)]
pub enum HttpError {
    /// The address is open to others, and that was not asked for.
    #[error(
        "{0} can be reached from other computers: listen on 127.0.0.1, or set `beyond-loopback = true` in the configuration"
    )]
    BeyondLoopback(SocketAddr),
    /// The address cannot be listened on.
    #[error("cannot listen on {address}: another program may have the port; give another one")]
    Bind {
        /// The address.
        address: SocketAddr,
        /// What the system said.
        source: std::io::Error,
    },
    /// The server stopped.
    #[error("the server on {address} stopped")]
    Serve {
        /// The address.
        address: SocketAddr,
        /// What the system said.
        source: std::io::Error,
    },
    /// The token file.
    #[error(transparent)]
    Token(#[from] TokenError),
}

/// An address that is had, and for which nothing serves yet.
pub struct Bound {
    listener: TcpListener,
    address: SocketAddr,
    guard: Arc<Guard>,
}

/// A server that is bound, and not yet serving.
pub struct Server {
    listener: TcpListener,
    address: SocketAddr,
    guard: Arc<Guard>,
    api: Arc<dyn Api>,
}

impl Bound {
    /// Binds. Refuses an address beyond loopback unless it was asked for; then it is logged.
    ///
    /// # Errors
    /// If the address is not loopback and that was not asked for, it cannot be had, or the token file is not right.
    pub async fn at(options: &ServeOptions) -> Result<Self, HttpError> {
        let asked = options.address;
        if !asked.ip().is_loopback() && !options.beyond_loopback {
            return Err(HttpError::BeyondLoopback(asked));
        }
        let token = Token::read_or_make(&options.token_file)?;
        let bind = |source| HttpError::Bind { address: asked, source };
        let listener = TcpListener::bind(asked).await.map_err(bind)?;
        let address = listener.local_addr().map_err(bind)?;
        if !address.ip().is_loopback() {
            tracing::warn!(%address, "other computers can reach this daemon, and the token goes over the wire unencrypted");
        }
        let guard = Arc::new(Guard::new(token, address, &options.names));
        Ok(Self { listener, address, guard })
    }

    /// The server for what was bound.
    #[must_use]
    pub fn serving(self, api: Arc<dyn Api>) -> Server {
        let Self { listener, address, guard } = self;
        Server { listener, address, guard, api }
    }
}

impl Server {
    /// Binds, and serves there: see [`Bound::at`].
    ///
    /// # Errors
    /// As for [`Bound::at`].
    pub async fn bind(options: &ServeOptions, api: Arc<dyn Api>) -> Result<Self, HttpError> {
        Ok(Bound::at(options).await?.serving(api))
    }

    /// Where it listens.
    #[must_use]
    pub const fn address(&self) -> SocketAddr {
        self.address
    }

    /// Serves until `end` is ready; then takes no more connections, sends waiting clients home, and gives
    /// the rest a few seconds.
    ///
    /// # Errors
    /// If the system takes the socket away.
    pub async fn run(self, end: impl Future<Output = ()> + Send + 'static) -> Result<(), HttpError> {
        // Clients are real, so waiting for them is too, whatever clock the benches have.
        let clock = Clock::real();
        let (ending, ended) = watch::channel(false);
        let mut told = ended.clone();
        let app = routes::router(Shared::new(self.api, ended, clock.wall().0))
            .layer(axum::extract::DefaultBodyLimit::max(limits::BODY_BYTES))
            .layer(axum::middleware::from_fn_with_state(self.guard, guard::pass));
        let serve = axum::serve(Bounded::new(self.listener, clock.clone()), app).with_graceful_shutdown(async move {
            end.await;
            ending.send_replace(true);
        });
        let address = self.address;
        let cut_off = async {
            // An error means that the server is gone, and with it what was to be cut off.
            if told.wait_for(|ended| *ended).await.is_err() {
                core::future::pending::<()>().await;
            }
            clock.sleep(limits::GRACE).await;
        };
        tokio::select! {
            done = async { serve.await } => done.map_err(|source| HttpError::Serve { address, source }),
            () = cut_off => {
                tracing::warn!(%address, "requests that did not end were cut off");
                Ok(())
            }
        }
    }
}
