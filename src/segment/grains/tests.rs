use super::*;
use crate::options::Tone;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
