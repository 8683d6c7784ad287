//! Where the test server comes from.
//!
//! In this order: the server that `CLAMPWARD_TEST_DATABASE_URL` names, a container if an engine can be reached (feature
//! `containers`; `CLAMPWARD_TEST_IMAGE` names the image), a private cluster from the binaries on this machine. What
//! this starts ends with the process that started it, also when that is killed. Knows nothing of single databases.

use crate::postgres::{Cluster, ClusterError, ClusterOptions, Place};
use std::fmt;

/// The variable that names a running server to use, by a superuser's URL.
pub const URL_VARIABLE: &str = "CLAMPWARD_TEST_DATABASE_URL";
/// The variable that names the container image to use.
pub const IMAGE_VARIABLE: &str = "CLAMPWARD_TEST_IMAGE";

/// Connections that a test server allows: many tests at once, each with pools of its own.
const MAX_CONNECTIONS: u32 = 400;

/// What the test server is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// Named by `CLAMPWARD_TEST_DATABASE_URL`.
    Given,
    /// A container started for these tests.
    Container,
    /// A private cluster from the binaries on this machine.
    LocalBinaries,
}

impl fmt::Display for Kind {
    fn fmt(&self, formatter: &mut fmt::Formatter<'_>) -> fmt::Result {
        formatter.write_str(match self {
            Self::Given => "the server named by CLAMPWARD_TEST_DATABASE_URL",
            Self::Container => "a container",
            Self::LocalBinaries => "the PostgreSQL binaries on this machine",
        })
    }
}

/// Why there is no test server.
#[derive(Debug, thiserror::Error)]
pub enum ServerError {
    /// The private cluster did not start.
    #[error(transparent)]
    Cluster(#[from] ClusterError),
    /// The container did not start.
    #[error("the test container did not start: {0}")]
    Container(String),
}

/// What keeps the server alive.
#[derive(Debug)]
enum Keeper {
    Elsewhere,
    #[cfg(feature = "containers")]
    Container(crate::container::TestContainer),
    Cluster(Cluster),
}

/// A server for tests; dropping it ends what was started for it.
#[derive(Debug)]
pub struct TestServer {
    url: String,
    kind: Kind,
    keeper: Keeper,
}

impl TestServer {
    /// Finds or starts a server. Blocks until it accepts connections.
    pub fn start() -> Result<Self, ServerError> {
        if let Some(url) = variable(URL_VARIABLE) {
            return Ok(Self {
                url,
                kind: Kind::Given,
                keeper: Keeper::Elsewhere,
            });
        }
        #[cfg(feature = "containers")]
        if crate::container::engine_is_reachable() {
            let image = variable(IMAGE_VARIABLE);
            match Self::from_container(image.as_deref()) {
                Ok(server) => return Ok(server),
                // An image that somebody named must work; the usual one may be missing on a machine without network.
                Err(error) if image.is_some() => return Err(error),
                Err(error) => eprintln!("{error}; using the PostgreSQL binaries on this machine instead"),
            }
        }
        Self::from_local_binaries()
    }

    /// Starts a container, whatever else could be had. Without a name the usual image is taken.
    #[cfg(feature = "containers")]
    pub fn from_container(image: Option<&str>) -> Result<Self, ServerError> {
        let container = crate::container::TestContainer::start(image, MAX_CONNECTIONS)?;
        let url = container.url().to_owned();
        Ok(Self {
            url,
            kind: Kind::Container,
            keeper: Keeper::Container(container),
        })
    }

    /// Starts a private cluster in a temporary folder, whatever else could be had.
    pub fn from_local_binaries() -> Result<Self, ServerError> {
        let settings = vec![("max_connections".to_owned(), MAX_CONNECTIONS.to_string())];
        let cluster = Cluster::start(ClusterOptions {
            place: Place::Temporary,
            password: None,
            settings,
        })?;
        let url = cluster.url("postgres");
        Ok(Self {
            url,
            kind: Kind::LocalBinaries,
            keeper: Keeper::Cluster(cluster),
        })
    }

    /// The superuser's URL.
    pub fn url(&self) -> &str {
        &self.url
    }

    /// What the server is.
    pub fn kind(&self) -> Kind {
        self.kind
    }

    /// Ends what was started for this server and waits for it.
    pub fn stop(self) -> Result<(), ServerError> {
        match self.keeper {
            Keeper::Elsewhere => Ok(()),
            #[cfg(feature = "containers")]
            Keeper::Container(container) => container.stop(),
            Keeper::Cluster(cluster) => Ok(cluster.stop()?),
        }
    }
}

#[expect(
    clippy::disallowed_methods,
    reason = "the one place where tests learn which server to use"
)]
fn variable(name: &str) -> Option<String> {
    std::env::var(name).ok().filter(|value| !value.is_empty())
}
