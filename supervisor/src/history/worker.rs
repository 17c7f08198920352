//! A thread that does what it is asked, in turn, and ends with its last asker.

use super::HistoryError;
use std::thread::JoinHandle;
use tokio::sync::{mpsc, oneshot};

/// Something to be done with what the thread owns.
pub(super) type Job<T> = Box<dyn FnOnce(&mut T) + Send>;

/// The way to such a thread.
#[derive(Debug)]
pub(super) struct Worker<T> {
    /// Taken when it ends, so that the thread has nothing more to wait for.
    queue: Option<mpsc::Sender<Job<T>>>,
    thread: Option<JoinHandle<()>>,
}

impl<S: 'static> Worker<S> {
    /// Starts the thread `name`, at which so many jobs may wait.
    pub(super) fn spawn(
        name: &str,
        queue: usize,
        work: impl FnOnce(mpsc::Receiver<Job<S>>) + Send + 'static,
    ) -> std::io::Result<Self> {
        let (jobs, waiting) = mpsc::channel(queue);
        let thread = std::thread::Builder::new().name(name.to_owned()).spawn(move || work(waiting))?;
        Ok(Self { queue: Some(jobs), thread: Some(thread) })
    }

    /// Has it do something, and waits for what comes of it.
    pub(super) async fn ask<T: Send + 'static>(
        &self,
        work: impl FnOnce(&mut S) -> Result<T, HistoryError> + Send + 'static,
    ) -> Result<T, HistoryError> {
        let gone = || HistoryError { text: "the history thread has ended; restart setward".to_owned() };
        let (answer, answered) = oneshot::channel();
        let job: Job<S> = Box::new(move |store| {
            // A caller that has gone away no longer wants the answer; the work is done all the same.
            let _unwanted = answer.send(work(store));
        });
        let queue = self.queue.as_ref().ok_or_else(gone)?;
        queue.send(job).await.map_err(|_closed| gone())?;
        answered.await.map_err(|_dropped| gone())?
    }

    /// Waits until all that was asked is done, and the thread with it.
    pub(super) fn end(&mut self) {
        drop(self.queue.take());
        // A thread that panicked has told so already.
        let _ended = self.thread.take().map(JoinHandle::join);
    }
}
