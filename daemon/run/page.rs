//! The page's door to the daemon: what it shows comes from the core and from a look into the store.

use std::future::Future;
use std::path::PathBuf;
use std::sync::Arc;

use tokio::net::TcpListener;
use tokio::sync::watch;
use tracing::{info, warn};

use crate::local::{Answer, Desk, Request};
use crate::mail::letters;
use crate::settings::garden::Garden;
use crate::store::{Reader, Store, StoreError};
use crate::web::{self, PageModel, Source};

/// Letters listed.
const LETTERS: u32 = 30;

/// Serves the page until the end, where the settings want one. A page that cannot be served is said in
/// one line; the garden is watched all the same.
pub(super) async fn serve(
    garden: Arc<Garden>,
    data: PathBuf,
    desk: Desk,
    mut stopped: watch::Receiver<bool>,
) {
    let Some(address) = garden.page else { return };
    let listener = match TcpListener::bind(address).await {
        Ok(listener) => listener,
        Err(error) => {
            warn!(
                "no page: {address} cannot be listened on ({error}): name another port under [page], or \"off\""
            );
            return;
        }
    };
    if let Ok(address) = listener.local_addr() {
        info!("page: http://{address}/");
    }
    let end = async move { drop(stopped.wait_for(|stop| *stop).await) };
    if let Err(error) = web::serve(listener, Shown { garden, data, desk }, end).await {
        warn!(%error, "the page ended");
    }
}

/// What the page shows.
#[derive(Clone)]
struct Shown {
    garden: Arc<Garden>,
    data: PathBuf,
    desk: Desk,
}

impl Source for Shown {
    async fn page(&self) -> Result<PageModel, String> {
        let status = match self.desk.ask(Request::Status).await {
            Answer::Status(status) => *status,
            Answer::Done { words }
            | Answer::Asks { words }
            | Answer::Busy { words }
            | Answer::Refused { words } => return Err(words),
        };
        let letters = self.look(|reader| reader.recent_letters(LETTERS)).await?;
        Ok(PageModel { garden: self.garden.name.clone(), zone: self.garden.zone, status, letters })
    }

    async fn letter(&self, number: u32) -> Result<Option<String>, String> {
        let letter = self.look(move |reader| reader.letter(number)).await?;
        Ok(letter.and_then(|letter| letters::text_of(&letter.eml)))
    }
}

impl Shown {
    /// Looks into the store on a thread that may wait for the disk.
    fn look<T: Send + 'static>(
        &self,
        question: impl FnOnce(&Reader) -> Result<T, StoreError> + Send + 'static,
    ) -> impl Future<Output = Result<T, String>> + Send {
        let data = self.data.clone();
        async move {
            tokio::task::spawn_blocking(move || question(&Store::open_to_read(&data)?))
                .await
                .map_err(|_| "the look into the store was broken off".to_owned())?
                .map_err(|error| error.to_string())
        }
    }
}
