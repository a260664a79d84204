//! Work on many files at once, with one progress and one way to stop.

use std::num::NonZeroUsize;
use std::sync::Mutex;
use std::thread::{self, JoinHandle};

use coeval::progress::Progress;
use coeval::{Error, ErrorKind, Result};
use rayon::prelude::*;

/// The threads that all work of one call runs on. They are gone when it is dropped: a process that forks afterwards
/// has no dead threads in it, and a library that is unloaded has none that still run.
struct Pool {
    /// `None` while it is dropped, and where there are no threads.
    rayon: Option<rayon::ThreadPool>,
    running: Vec<JoinHandle<()>>,
}

impl Pool {
    fn new(threads: Option<NonZeroUsize>) -> Result<Self> {
        if cfg!(target_family = "wasm") {
            // There are no threads: all work is done by the one that asks for it.
            return Ok(Self { rayon: None, running: Vec::new() });
        }
        let threads = threads.or_else(|| thread::available_parallelism().ok()).map_or(1, NonZeroUsize::get);
        let mut pool = Self { rayon: None, running: Vec::with_capacity(threads) };
        let start = |worker: rayon::ThreadBuilder| {
            pool.running.push(thread::Builder::new().spawn(|| worker.run())?);
            Ok(())
        };
        let made = rayon::ThreadPoolBuilder::new().num_threads(threads).spawn_handler(start).build();
        let failed = |e| Error::new(ErrorKind::Internal, format!("cannot start {threads} threads")).with_source(e);
        pool.rayon = Some(made.map_err(failed)?);
        Ok(pool)
    }

    fn install<R: Send>(&self, work: impl FnOnce() -> R + Send) -> R {
        match &self.rayon {
            Some(pool) => pool.install(work),
            None => work(),
        }
    }
}

impl Drop for Pool {
    fn drop(&mut self) {
        self.rayon = None;
        for worker in self.running.drain(..) {
            // A worker's panic has been answered by the call that it worked for.
            let _ = worker.join();
        }
    }
}

/// Runs `work` so that whatever it does on many files at once takes this many threads; `None`: as many as the machine
/// has cores. The threads are the call's own and have ended when it returns.
///
/// # Errors
/// [`Internal`](ErrorKind::Internal) when threads cannot be started, and what `work` answers.
pub fn on_threads<R: Send>(threads: Option<NonZeroUsize>, work: impl FnOnce() -> Result<R> + Send) -> Result<R> {
    Pool::new(threads)?.install(work)
}

/// Runs `work` on every item, several at once, and returns the results in the items' order. `weight` says how much of
/// the whole an item is, in any unit; `progress` hears the share of all of them under the name `stage`. What takes longest is
/// begun first, so that it is not alone at the end.
///
/// # Errors
/// [`Cancelled`](ErrorKind::Cancelled), and the first error that `work` answers: the rest is then left undone.
pub fn for_all<T: Sync, R: Send>(
    stage: &str,
    items: &[T],
    weight: impl Fn(&T) -> f64,
    progress: &dyn Progress,
    work: impl Fn(&T, &dyn Progress) -> Result<R> + Sync,
) -> Result<Vec<R>> {
    let weights: Vec<f64> = items.iter().map(|i| weight(i).max(1e-3)).collect();
    let total = weights.iter().sum();
    let shared = Shared { stage, outer: progress, total, state: Mutex::new(State { done: 0.0, stopped: false }) };
    if !shared.add(0.0) {
        return Err(Error::cancelled());
    }
    let mut order: Vec<usize> = (0..items.len()).collect();
    order.sort_by(|&x, &y| weights[y].total_cmp(&weights[x]).then(x.cmp(&y)));
    let one = |&i: &usize| {
        let share = Share { shared: &shared, weight: weights[i], done: Mutex::new(0.0) };
        coeval::progress::step(&share, stage, 0.0)?;
        let result = work(&items[i], &share)?;
        coeval::progress::step(&share, stage, 1.0)?;
        Ok((i, result))
    };
    let mut done: Vec<(usize, R)> = order.par_iter().with_max_len(1).map(one).collect::<Result<_>>()?;
    done.sort_unstable_by_key(|(i, _)| *i);
    Ok(done.into_iter().map(|(_, result)| result).collect())
}

/// Runs two works at the same time on the threads of [`on_threads`], so that none of them idles at the end of the first.
/// `progress` hears the mean of both under the name `stage`.
///
/// # Errors
/// What `first` answers, or else `second`; both have ended then.
pub fn both<A: Send, B: Send>(
    stage: &str,
    progress: &dyn Progress,
    first: impl FnOnce(&dyn Progress) -> Result<A> + Send,
    second: impl FnOnce(&dyn Progress) -> Result<B> + Send,
) -> Result<(A, B)> {
    let state = Mutex::new(State { done: 0.0, stopped: false });
    let shared = Shared { stage, outer: progress, total: 2.0, state };
    let share = || Share { shared: &shared, weight: 1.0, done: Mutex::new(0.0) };
    let (first_share, second_share) = (share(), share());
    let (a, b) = rayon::join(|| first(&first_share), || second(&second_share));
    Ok((a?, b?))
}

struct Shared<'a> {
    stage: &'a str,
    outer: &'a dyn Progress,
    total: f64,
    state: Mutex<State>,
}

struct State {
    done: f64,
    stopped: bool,
}

impl Shared<'_> {
    fn add(&self, amount: f64) -> bool {
        // The listener is called under the lock, so that it never sees the share of work go backwards.
        let mut state = self.state.lock().unwrap_or_else(|e| e.into_inner());
        state.done += amount;
        if !state.stopped {
            // Of nothing all is done.
            let share = if self.total > 0.0 { (state.done / self.total).clamp(0.0, 1.0) } else { 1.0 };
            state.stopped = !self.outer.report(self.stage, share);
        }
        !state.stopped
    }
}

/// One item's part of the whole.
struct Share<'a> {
    shared: &'a Shared<'a>,
    weight: f64,
    done: Mutex<f64>,
}

impl Progress for Share<'_> {
    fn report(&self, _stage: &str, done: f64) -> bool {
        let news = {
            let mut mine = self.done.lock().unwrap_or_else(|e| e.into_inner());
            let news = (done.clamp(0.0, 1.0) - *mine).max(0.0);
            *mine += news;
            news
        };
        self.shared.add(news * self.weight)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn keeps_order_and_progress_only_grows() {
        let items: Vec<u64> = (0..40).collect();
        let seen = Mutex::new(Vec::new());
        let listen = |_: &str, done: f64| {
            seen.lock().unwrap().push(done);
            true
        };
        let squares = on_threads(NonZeroUsize::new(4), || {
            for_all(
                "working",
                &items,
                |&i| i as f64,
                &listen,
                |&i, p| {
                    p.report("inner", 0.5);
                    Ok(i * i)
                },
            )
        });
        assert_eq!(squares.unwrap(), items.iter().map(|i| i * i).collect::<Vec<_>>());
        let seen = seen.into_inner().unwrap();
        assert!(seen.windows(2).all(|w| w[0] <= w[1]));
        assert!((seen.last().unwrap() - 1.0).abs() < 1e-9);
    }

    #[test]
    fn two_works_share_one_progress() {
        let seen = Mutex::new(Vec::new());
        let listen = |stage: &str, done: f64| {
            seen.lock().unwrap().push((stage.to_owned(), done));
            done < 0.6
        };
        let work = |progress: &dyn Progress| for_all("inner", &[(); 4], |()| 1.0, progress, |(), _| Ok(()));
        let stopped =
            both("outer", &listen, work, |progress| coeval::progress::step(progress, "inner", 1.0).map(|()| "done"));
        assert_eq!(stopped.unwrap_err().kind(), ErrorKind::Cancelled);
        assert!(seen.lock().unwrap().iter().all(|(stage, done)| stage == "outer" && (0.0..=1.0).contains(done)));
        let (all, one) = both("outer", &(), work, |_| Ok(1)).unwrap();
        assert_eq!((all.len(), one), (4, 1));
    }

    #[test]
    fn of_no_items_all_is_done() {
        let seen = Mutex::new(Vec::new());
        let listen = |_: &str, done: f64| {
            seen.lock().unwrap().push(done);
            true
        };
        assert!(for_all("working", &[(); 0], |()| 1.0, &listen, |(), _| Ok(())).unwrap().is_empty());
        assert_eq!(seen.into_inner().unwrap(), [1.0]);
    }

    #[test]
    fn stops_on_request() {
        let items = [1.0; 100];
        let listen = |_: &str, done: f64| done < 0.3;
        let result = for_all("working", &items, |&w| w, &listen, |_, _| Ok(()));
        assert_eq!(result.unwrap_err().kind(), ErrorKind::Cancelled);
    }
}
