//! Reads inputs one by one under watch: a panic, a read that takes too long, or one that takes more memory than it may is a
//! fault; a refusal is not.

use std::alloc::{GlobalAlloc, Layout, System};
use std::any::Any;
use std::cell::Cell;
use std::collections::BTreeSet;
use std::fs::File;
use std::io::{Seek as _, Write as _};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Once};
use std::time::{Duration, Instant};

/// Longest time for one input; usual ones take microseconds.
const LONGEST: Duration = Duration::from_secs(2);
/// After so long an input hangs, and the tests are ended.
const HANGS: Duration = Duration::from_secs(30);
/// A single request for more than this is refused, so that a fault does not take the machine with it.
const LARGEST_REQUEST: usize = 4 << 30;

/// The allocator of the system, which counts the bytes that each thread holds.
struct Meter;

#[global_allocator]
static METER: Meter = Meter;

thread_local! {
    static HELD: Cell<isize> = const { Cell::new(0) };
    static MOST: Cell<isize> = const { Cell::new(0) };
}

thread_local! {
    /// Whether an input is being read on this thread.
    static READING: Cell<bool> = const { Cell::new(false) };
    /// Panics of libraries while it was read, and whether one was ours.
    static PANICS: Cell<(usize, bool)> = const { Cell::new((0, false)) };
}

/// Counts panics while an input is read, so that one that a reader caught is seen too; they are not printed.
fn count_panics() {
    static ONCE: Once = Once::new();
    ONCE.call_once(|| {
        let usual = std::panic::take_hook();
        std::panic::set_hook(Box::new(move |panic| {
            if !READING.get() {
                return usual(panic);
            }
            let ours = panic.location().is_some_and(|location| location.file().starts_with("src/"));
            let (all, any_ours) = PANICS.get();
            PANICS.set((all + 1, any_ours || ours));
        }));
    });
}

fn count(bytes: isize) {
    let held = HELD.get() + bytes;
    HELD.set(held);
    MOST.set(MOST.get().max(held));
}

// Only an allocator sees every byte that a decoder asks for, touched or not, and its trait is unsafe. The library itself
// forbids unsafe code; this is the one place of the tests that has it.
//
// SAFETY: every call is handed to the allocator of the system with the same arguments, and what it returns is handed back;
// the counters are plain numbers without a destructor, so that counting allocates nothing. A request that is refused gets the
// null pointer, as the contract says.
unsafe impl GlobalAlloc for Meter {
    unsafe fn alloc(&self, layout: Layout) -> *mut u8 {
        if layout.size() > LARGEST_REQUEST {
            return std::ptr::null_mut();
        }
        count(layout.size() as isize);
        // SAFETY: the caller's promise about the layout is the one that is asked for.
        unsafe { System.alloc(layout) }
    }

    // Without this, zeroed memory would be written by hand and no longer be given out page by page as it is touched.
    unsafe fn alloc_zeroed(&self, layout: Layout) -> *mut u8 {
        if layout.size() > LARGEST_REQUEST {
            return std::ptr::null_mut();
        }
        count(layout.size() as isize);
        // SAFETY: as above.
        unsafe { System.alloc_zeroed(layout) }
    }

    unsafe fn dealloc(&self, pointer: *mut u8, layout: Layout) {
        count(-(layout.size() as isize));
        // SAFETY: the pointer came from the allocator of the system with this layout.
        unsafe { System.dealloc(pointer, layout) }
    }

    unsafe fn realloc(&self, pointer: *mut u8, layout: Layout, size: usize) -> *mut u8 {
        if size > LARGEST_REQUEST {
            return std::ptr::null_mut();
        }
        // While it is moved, both lie in memory.
        count(size as isize);
        count(-(layout.size() as isize));
        // SAFETY: the pointer came from the allocator of the system with this layout.
        unsafe { System.realloc(pointer, layout, size) }
    }
}

/// What came of reading: `Err` holds the text of the refusal.
pub type Verdict = Result<(), String>;

/// Watches over the inputs of one format.
pub struct Watch {
    name: &'static str,
    /// The input that is being read lies here, so that it is there after an abort too.
    current: PathBuf,
    file: File,
    clock: Arc<Clock>,
    pub tally: Tally,
}

/// What was seen so far.
#[derive(Default)]
pub struct Tally {
    pub inputs: usize,
    pub read: usize,
    /// Of the inputs, those that were changed, and how many of them were read.
    pub changed: usize,
    pub changed_read: usize,
    /// Texts of refusals without their numbers.
    pub reasons: BTreeSet<String>,
    /// Panics of libraries that the reader turned into a refusal.
    pub caught: usize,
    pub longest: Duration,
    pub most_bytes: usize,
}

struct Clock {
    zero: Instant,
    /// Milliseconds at which the present input began; 0 between inputs, `u64::MAX` at the end.
    begun: AtomicU64,
}

impl Clock {
    fn now(&self) -> u64 {
        self.zero.elapsed().as_millis() as u64 + 1
    }
}

impl Watch {
    pub fn new(name: &'static str) -> Self {
        count_panics();
        let current = kept(&format!("{name}-being-read"));
        let file = File::create(&current).unwrap();
        let clock = Arc::new(Clock { zero: Instant::now(), begun: AtomicU64::new(0) });
        let (watched, place) = (Arc::clone(&clock), current.clone());
        std::thread::spawn(move || end_if_it_hangs(&watched, name, &place));
        Self { name, current, file, clock, tally: Tally::default() }
    }

    /// Reads an input, which may take `budget` bytes of memory; the error names the fault.
    pub fn read(
        &mut self,
        bytes: &[u8],
        budget: usize,
        read: &dyn Fn(&[u8]) -> Verdict,
    ) -> Result<Verdict, String> {
        self.file.set_len(0).unwrap();
        self.file.rewind().unwrap();
        self.file.write_all(bytes).unwrap();
        self.clock.begun.store(self.clock.now(), Ordering::Relaxed);
        let held = HELD.get();
        MOST.set(held);
        PANICS.set((0, false));
        READING.set(true);
        let start = Instant::now();
        let verdict = catch_unwind(AssertUnwindSafe(|| read(bytes)));
        let took = start.elapsed();
        READING.set(false);
        let most = (MOST.get() - held) as usize;
        self.clock.begun.store(0, Ordering::Relaxed);

        self.tally.inputs += 1;
        self.tally.longest = self.tally.longest.max(took);
        self.tally.most_bytes = self.tally.most_bytes.max(most);
        let verdict = verdict.map_err(|panic| format!("panic: {}", text_of(&*panic)))?;
        let (panics, ours) = PANICS.get();
        self.tally.caught += panics;
        if ours {
            return Err(format!("panic of our own, which was caught: {verdict:?}"));
        }
        // A machine that is busy may have held it up once.
        if took > LONGEST && time_of(|| drop(catch_unwind(AssertUnwindSafe(|| read(bytes))))) > LONGEST {
            return Err(format!("it took {took:?}, and {LONGEST:?} are allowed"));
        }
        if most > budget {
            return Err(format!("it took {most} bytes of memory, and {budget} are allowed"));
        }
        match &verdict {
            Ok(()) => self.tally.read += 1,
            Err(why) => {
                self.tally.reasons.insert(why.replace(|c: char| c.is_ascii_digit(), ""));
            }
        }
        Ok(verdict)
    }

    /// Forgets the last input, which was harmless.
    pub fn end(self) -> Tally {
        self.clock.begun.store(u64::MAX, Ordering::Relaxed);
        drop(std::fs::remove_file(&self.current));
        self.tally
    }

    /// The same, and says what was seen.
    pub fn finish(self) -> Tally {
        let Tally { inputs, read, reasons, caught, longest, most_bytes, .. } = &self.tally;
        println!(
            "{}: {inputs} inputs, 0 faults; {read} read, the others refused for {} reasons, {caught} after a panic of a library; longest {longest:.1?}, most memory {:.2} MiB",
            self.name,
            reasons.len(),
            *most_bytes as f64 / f64::from(1 << 20)
        );
        self.end()
    }
}

/// Where something of this name is kept for a person to look at.
pub fn kept(name: &str) -> PathBuf {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("fuzz");
    std::fs::create_dir_all(&folder).unwrap();
    folder.join(name)
}

fn end_if_it_hangs(clock: &Clock, name: &str, input: &Path) {
    loop {
        std::thread::sleep(Duration::from_millis(200));
        match clock.begun.load(Ordering::Relaxed) {
            0 => {}
            u64::MAX => return,
            begun if clock.now() - begun > HANGS.as_millis() as u64 => {
                // No thread can be stopped from outside, and one that never ends would let the tests wait for ever.
                eprintln!("{name}: reading hangs; the input is {}", input.display());
                std::process::exit(101);
            }
            _ => {}
        }
    }
}

fn time_of(work: impl FnOnce()) -> Duration {
    let start = Instant::now();
    work();
    start.elapsed()
}

fn text_of(panic: &(dyn Any + Send)) -> String {
    let text = panic.downcast_ref::<String>().map(String::as_str);
    text.or_else(|| panic.downcast_ref::<&str>().copied()).unwrap_or("no text").to_owned()
}

#[test]
fn panics_long_reads_and_much_memory_are_faults() {
    let mut watch = Watch::new("watch");
    let fault = |watch: &mut Watch, read: &dyn Fn(&[u8]) -> Verdict| watch.read(b"", 1000, read).unwrap_err();
    assert!(fault(&mut watch, &|_| panic!("on purpose")).contains("panic: on purpose"));
    assert!(
        fault(&mut watch, &|_| {
            drop(vec![1u8; 2000]);
            Ok(())
        })
        .contains("bytes of memory")
    );
    assert!(
        fault(&mut watch, &|_| {
            drop(Vec::<u8>::with_capacity(2000));
            Ok(())
        })
        .contains("bytes of memory")
    );
    let slow = |_: &[u8]| {
        std::thread::sleep(LONGEST + Duration::from_millis(5));
        Ok(())
    };
    assert!(fault(&mut watch, &slow).contains("are allowed"));
    assert_eq!(watch.read(b"", 1000, &|_| Err("row 12".into())), Ok(Err("row 12".into())));
    assert_eq!(
        watch.read(b"", 1000, &|_| {
            drop(vec![1u8; 900]);
            Ok(())
        }),
        Ok(Ok(()))
    );
    assert_eq!(watch.finish().reasons.into_iter().collect::<Vec<_>>(), ["row "]);
}
