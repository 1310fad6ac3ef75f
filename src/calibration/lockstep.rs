//! Chains that go side by side: each on a thread of its own until it asks for the density, which is found for all that
//! still run at once.
//!
//! Which places go together follows from the chains alone: the n-th question of each. So do the results, whatever the
//! threads.

use super::sample::Density;
use crate::error::{Error, Result};
use std::sync::mpsc::{Receiver, Sender, channel};
use std::sync::{Mutex, PoisonError};

type Answer = Result<(f64, Vec<f64>)>;

enum Message {
    Asks { chain: usize, z: Vec<f64> },
    Ends,
}

/// The density as one of the chains sees it.
pub(super) struct Asking {
    chain: usize,
    dim: usize,
    ask: Sender<Message>,
    answered: Mutex<Receiver<Answer>>,
}

impl Density for Asking {
    fn dim(&self) -> usize {
        self.dim
    }

    fn log_density(&self, z: &[f64], gradient: &mut [f64]) -> Result<f64> {
        // Nobody answers any more: the run ends.
        self.ask.send(Message::Asks { chain: self.chain, z: z.to_vec() }).map_err(|_| Error::Interrupted)?;
        let answered = self.answered.lock().unwrap_or_else(PoisonError::into_inner);
        let (log_density, slopes) = answered.recv().map_err(|_| Error::Interrupted)??;
        gradient.copy_from_slice(&slopes);
        Ok(log_density)
    }
}

impl Drop for Asking {
    fn drop(&mut self) {
        // Fails only if nobody waits any more.
        let _ = self.ask.send(Message::Ends);
    }
}

/// Runs chains in step, and gives what each returns, in order.
pub(super) fn in_step<R: Send>(
    density: &impl Density,
    chains: usize,
    run: impl Fn(usize, &Asking) -> R + Sync,
) -> Vec<R> {
    std::thread::scope(|scope| {
        let (ask, asked) = channel();
        let (mut answers, mut running) = (Vec::new(), Vec::new());
        for chain in 0..chains {
            let (answer, answered) = channel();
            answers.push(answer);
            let asking = Asking { chain, dim: density.dim(), ask: ask.clone(), answered: Mutex::new(answered) };
            let run = &run;
            running.push(scope.spawn(move || run(chain, &asking)));
        }
        let mut live = chains;
        let mut waiting: Vec<(usize, Vec<f64>)> = Vec::new();
        while live > 0 {
            match asked.recv() {
                Ok(Message::Asks { chain, z }) => waiting.push((chain, z)),
                Ok(Message::Ends) => live -= 1,
                Err(_) => break,
            }
            if live > 0 && waiting.len() == live {
                waiting.sort_by_key(|(chain, _)| *chain);
                let (who, places): (Vec<usize>, Vec<Vec<f64>>) = waiting.drain(..).unzip();
                for (chain, answer) in who.into_iter().zip(density.log_densities(&places)) {
                    // A chain that is gone has said so.
                    let _ = answers[chain].send(answer);
                }
            }
        }
        let joined = running.into_iter().map(std::thread::ScopedJoinHandle::join);
        joined.map(|result| result.unwrap_or_else(|panic| std::panic::resume_unwind(panic))).collect()
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    struct Counted(Mutex<Vec<usize>>);

    impl Density for Counted {
        fn dim(&self) -> usize {
            1
        }

        fn log_density(&self, z: &[f64], gradient: &mut [f64]) -> Result<f64> {
            gradient[0] = -z[0];
            Ok(-0.5 * z[0] * z[0])
        }

        fn log_densities(&self, places: &[Vec<f64>]) -> Vec<Result<(f64, Vec<f64>)>> {
            self.0.lock().unwrap().push(places.len());
            places.iter().map(|z| Ok((-0.5 * z[0] * z[0], vec![-z[0]]))).collect()
        }
    }

    /// All chains that still go are asked for at once.
    #[test]
    fn chains_that_go_on_go_abreast() {
        let density = Counted(Mutex::new(Vec::new()));
        let found = in_step(&density, 3, |chain, asking| {
            let place = [chain as f64 + 1.0];
            (0..chain + 2).map(|_| asking.log_density(&place, &mut [0.0]).unwrap()).last().unwrap()
        });
        assert_eq!(found, [-0.5, -2.0, -4.5]);
        assert_eq!(*density.0.lock().unwrap(), [3, 3, 2, 1]);
    }
}
