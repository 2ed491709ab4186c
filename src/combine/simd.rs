//! Which instructions the kernels may use, and the one that they ask the processor for by name.
//!
//! A kernel is written once, in plain loops over fixed numbers of lanes, and compiled several times:
//! for what every processor of its kind has, and for wider vectors that are asked for at run time.
//! Wider instructions change how many lanes go at once and nothing about a result: no level may
//! contract, reorder or approximate. On other processors than x86-64 there is the plain level alone,
//! which the compiler makes into their vector instructions.

use std::sync::atomic::{AtomicUsize, Ordering};

/// The place in [`Level::ALL`] of what kernels go by; beyond its end until one of them asks.
static CHOSEN: AtomicUsize = AtomicUsize::new(UNKNOWN);
const UNKNOWN: usize = usize::MAX;

/// A set of instructions.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Level {
    /// What every processor of its kind has.
    Plain,
    /// 256 bits at once.
    #[cfg(target_arch = "x86_64")]
    Avx2,
    /// 512 bits at once.
    #[cfg(target_arch = "x86_64")]
    Avx512,
}

impl Level {
    /// All levels, the widest last.
    pub const ALL: &'static [Self] = &[
        Self::Plain,
        #[cfg(target_arch = "x86_64")]
        Self::Avx2,
        #[cfg(target_arch = "x86_64")]
        Self::Avx512,
    ];

    /// Those that this processor has, the widest last.
    pub fn here() -> impl DoubleEndedIterator<Item = Self> {
        Self::ALL.iter().copied().filter(|level| level.is_here())
    }

    /// The widest that this processor has, unless [`Level::keep_to`] has said otherwise.
    pub fn widest() -> Self {
        let chosen = Self::ALL.get(CHOSEN.load(Ordering::Relaxed));
        chosen.copied().unwrap_or_else(Self::looked_for)
    }

    #[cold]
    fn looked_for() -> Self {
        let found = Self::here().next_back().unwrap_or(Self::Plain);
        // What was said meanwhile stays.
        let _ = CHOSEN.compare_exchange(
            UNKNOWN,
            found as usize,
            Ordering::Relaxed,
            Ordering::Relaxed,
        );
        found
    }

    /// Makes this level the widest, for this process and from now on: for comparison.
    pub fn keep_to(self) {
        CHOSEN.store(self as usize, Ordering::Relaxed);
    }

    /// What it is asked for by.
    pub fn name(self) -> &'static str {
        match self {
            Self::Plain => "plain",
            #[cfg(target_arch = "x86_64")]
            Self::Avx2 => "avx2",
            #[cfg(target_arch = "x86_64")]
            Self::Avx512 => "avx512",
        }
    }

    /// True where this processor has it.
    pub fn is_here(self) -> bool {
        match self {
            Self::Plain => true,
            #[cfg(target_arch = "x86_64")]
            Self::Avx2 => is_x86_feature_detected!("avx2"),
            #[cfg(target_arch = "x86_64")]
            Self::Avx512 => {
                is_x86_feature_detected!("avx512f")
                    && is_x86_feature_detected!("avx512bw")
                    && is_x86_feature_detected!("avx512dq")
                    && is_x86_feature_detected!("avx512vl")
            }
        }
    }

    /// Runs a kernel with these instructions; with plain ones where the processor lacks them.
    #[allow(
        unsafe_code,
        reason = "only the processor can say whether it has the instructions"
    )]
    pub fn run<K: Kernel>(self, kernel: K) -> K::Output {
        match self {
            #[cfg(target_arch = "x86_64")]
            Self::Avx2 if self.is_here() => {
                // SAFETY: the processor has what `avx2` is compiled for; that was asked just now.
                unsafe { avx2(kernel) }
            }
            #[cfg(target_arch = "x86_64")]
            Self::Avx512 if self.is_here() => {
                // SAFETY: the processor has what `avx512` is compiled for; that was asked just now.
                unsafe { avx512(kernel) }
            }
            _ => kernel.run(),
        }
    }
}

/// Work that is compiled for every level.
pub trait Kernel {
    /// What it yields.
    type Output;

    /// Does it. It and everything hot below it must be `#[inline(always)]`, else it is compiled for
    /// the plain level only: slower, not wrong.
    fn run(self) -> Self::Output;
}

/// A short loop in place. It is called once, so that the compiler puts it where it is called.
impl<F: FnOnce() -> T, T> Kernel for F {
    type Output = T;

    #[inline(always)]
    fn run(self) -> T {
        self()
    }
}

/// Asks for memory that will be read soon. A hint: it changes nothing but how long that takes, and
/// processors without one do well enough.
#[inline(always)]
pub(super) fn ask_for<T>(memory: &[T]) {
    // Memory that begins within a line ends in one more.
    let lines = memory.iter().step_by(LINE / size_of::<T>());
    lines.chain(memory.last()).for_each(ask_for_line);
}

/// The same for the line that a number lies in.
#[inline(always)]
pub(super) fn ask_for_line<T>(number: &T) {
    #[cfg(target_arch = "x86_64")]
    {
        use std::arch::x86_64::{_MM_HINT_T1, _mm_prefetch};
        #[allow(
            unsafe_code,
            reason = "the standard library has it as an intrinsic only"
        )]
        // SAFETY: it reads nothing, and every x86-64 has it.
        unsafe {
            _mm_prefetch::<_MM_HINT_T1>(std::ptr::from_ref(number).cast());
        }
    }
    #[cfg(not(target_arch = "x86_64"))]
    let _ = number;
}

/// Bytes that come into a cache together.
const LINE: usize = 64;

#[cfg(target_arch = "x86_64")]
#[target_feature(enable = "avx2")]
fn avx2<K: Kernel>(kernel: K) -> K::Output {
    kernel.run()
}

#[cfg(target_arch = "x86_64")]
#[target_feature(enable = "avx512f,avx512bw,avx512dq,avx512vl,avx2")]
fn avx512<K: Kernel>(kernel: K) -> K::Output {
    kernel.run()
}
