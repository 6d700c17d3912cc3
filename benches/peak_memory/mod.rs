//! What a process has taken of memory.

use std::error::Error;

/// Largest resident memory of this process so far, as the kernel counts it.
pub fn peak_bytes() -> Result<u64, Box<dyn Error>> {
    let status = std::fs::read_to_string("/proc/self/status")?;
    let line =
        status.lines().find(|line| line.starts_with("VmHWM:")).ok_or("no VmHWM in /proc/self/status")?;
    let kilobytes: u64 = line.split_whitespace().nth(1).ok_or("VmHWM has no value")?.parse()?;
    Ok(1024 * kilobytes)
}
