//! A network that the program carries: loaded once, run on one picture or part of one at a time.

use std::sync::{Arc, Mutex, PoisonError};

use rten::{Model, NodeId, RunOptions, ThreadPool, Value};

use crate::error::Error;

/// A network with so many inputs and outputs, all of four dimensions.
pub(crate) struct Network<const INPUTS: usize, const OUTPUTS: usize> {
    model: Model,
    inputs: [NodeId; INPUTS],
    outputs: [NodeId; OUTPUTS],
}

impl<const INPUTS: usize, const OUTPUTS: usize> Network<INPUTS, OUTPUTS> {
    /// Reads a network from ONNX `bytes`; its inputs and outputs go by these names.
    ///
    /// It is read on a thread of its own. Reading waits for rten's pool, and a thread of ours that waits for another pool
    /// takes up other work meanwhile: the next picture, which would ask for this very network and wait for itself for ever.
    pub(crate) fn load(
        bytes: &'static [u8],
        inputs: [&str; INPUTS],
        outputs: [&str; OUTPUTS],
    ) -> Result<Self, String> {
        std::thread::scope(|scope| {
            let reading = scope.spawn(|| Self::load_here(bytes, inputs, outputs));
            reading.join().unwrap_or_else(|_| Err("reading it failed".to_owned()))
        })
    }

    fn load_here(
        bytes: &'static [u8],
        inputs: [&str; INPUTS],
        outputs: [&str; OUTPUTS],
    ) -> Result<Self, String> {
        let model = Model::load_static_slice(bytes).map_err(|e| e.to_string())?;
        let node = |name: &str| model.node_id(name).map_err(|e| e.to_string());
        let (inputs, outputs) = (nodes(inputs, node)?, nodes(outputs, node)?);
        Ok(Self { model, inputs, outputs })
    }

    /// The answers to the values and the shape of each input, in the order of [`Network::load`]; they must themselves
    /// have the shapes `expected`.
    ///
    /// The threads of the pool that this is called from set how many work on it; their number does not change a bit of
    /// the answer.
    ///
    /// # Errors
    /// [`Error::Network`] if the network in the program is damaged.
    pub(crate) fn answer(
        &self,
        inputs: [(Vec<f32>, [usize; 4]); INPUTS],
        expected: [[usize; 4]; OUTPUTS],
    ) -> Result<[Vec<f32>; OUTPUTS], Error> {
        let input = |(&node, (values, shape)): (&NodeId, (Vec<f32>, [usize; 4]))| {
            Ok((node, Value::from_shape(shape, values).map_err(failed)?.into()))
        };
        let inputs = self.inputs.iter().zip(inputs).map(input).collect::<Result<Vec<_>, Error>>()?;
        let options = RunOptions::default().with_thread_pool(Some(pool(rayon::current_num_threads())));
        let found = self.model.run_n(inputs, self.outputs, Some(options)).map_err(failed)?;
        let mut answers = [const { Vec::new() }; OUTPUTS];
        for ((answer, found), expected) in answers.iter_mut().zip(found).zip(expected) {
            let (shape, values) = found.into_shape_vec::<f32, 4>().map_err(failed)?;
            if shape != expected {
                return Err(Error::Network {
                    why: format!("it answers in {shape:?} where {expected:?} is expected"),
                });
            }
            *answer = values;
        }
        Ok(answers)
    }
}

/// The nodes of these names.
fn nodes<const N: usize>(
    names: [&str; N],
    node: impl Fn(&str) -> Result<NodeId, String>,
) -> Result<[NodeId; N], String> {
    let found = names.into_iter().map(node).collect::<Result<Vec<_>, _>>()?;
    Ok(found.try_into().expect("invariant: one node for each name"))
}

fn failed(why: impl std::fmt::Display) -> Error {
    Error::Network { why: why.to_string() }
}

/// The pool of `threads` that networks run on. rten runs on pools of its own kind only; one is kept for all pictures,
/// for a pool for each would start as many threads as the square of their number.
fn pool(threads: usize) -> Arc<ThreadPool> {
    static POOL: Mutex<Option<(usize, Arc<ThreadPool>)>> = Mutex::new(None);
    let mut kept = POOL.lock().unwrap_or_else(PoisonError::into_inner);
    match &*kept {
        Some((count, pool)) if *count == threads => Arc::clone(pool),
        _ => {
            let pool = Arc::new(ThreadPool::with_num_threads(threads));
            *kept = Some((threads, Arc::clone(&pool)));
            pool
        }
    }
}
