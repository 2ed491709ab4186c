//! A progress bar while there is work, where standard error is a terminal; nothing elsewhere.

use std::io::{self, Write};
use std::sync::LazyLock;

use indicatif::{MultiProgress, ProgressBar, ProgressStyle};

use crate::night::harmless;

/// All bars of the process, so that log lines can be written above them.
static BARS: LazyLock<MultiProgress> = LazyLock::new(MultiProgress::new);

/// The bar of the loop.
#[derive(Default)]
pub struct Progress {
    bar: Option<ProgressBar>,
}

impl Progress {
    /// A product is begun; `left` are still to be made, this one included.
    pub fn begin(&mut self, product: &str, left: usize) {
        let bar = self.bar.get_or_insert_with(|| {
            let bar = BARS.add(ProgressBar::new(0));
            if let Ok(style) = ProgressStyle::with_template("{pos}/{len} {bar:30} {wide_msg}") {
                bar.set_style(style);
            }
            bar
        });
        bar.set_length(bar.position() + left as u64);
        bar.set_message(product.to_owned());
    }

    /// A product is done.
    pub fn done(&self) {
        if let Some(bar) = &self.bar {
            bar.inc(1);
        }
    }

    /// There is nothing left to do.
    pub fn clear(&mut self) {
        if let Some(bar) = self.bar.take() {
            bar.finish_and_clear();
            BARS.remove(&bar);
        }
    }
}

/// Standard error for log lines: bars step aside while a line is written. What came out of a file's
/// header or name can neither begin a line nor steer a terminal.
pub struct Lines {
    /// Whether escape codes are the writer's own; those of others it has spelt out already.
    pub coloured: bool,
}

impl Write for Lines {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let line = one_line(&String::from_utf8_lossy(bytes), self.coloured);
        BARS.suspend(|| io::stderr().write_all(line.as_bytes()))?;
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        io::stderr().flush()
    }
}

/// The text as one line.
fn one_line(text: &str, coloured: bool) -> String {
    let tamed = text.trim_end_matches('\n').chars().map(|c| match c {
        '\u{1b}' if coloured => c,
        c => harmless(c),
    });
    tamed.chain(['\n']).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_line_stays_one_line() {
        assert_eq!(one_line("a  b\n", false), "a  b\n");
        assert_eq!(one_line("a\n\rb\u{1b}[2J\u{202e}\n", false), "a??b?[2J?\n");
        assert_eq!(
            one_line("\u{1b}[2ma\u{1b}[0m\0\n", true),
            "\u{1b}[2ma\u{1b}[0m?\n"
        );
    }
}
