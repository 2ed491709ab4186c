//! The two pattern languages of a profile: names and paths.
//!
//! It does not know what the names and paths belong to.

use globset::{GlobBuilder, GlobMatcher};

/// True where `pattern` fits the whole of `name`: `*` stands for any characters, `?` for one,
/// everything else for itself, brackets included. Letter case and surrounding blanks do not
/// matter.
pub fn name_matches(pattern: &str, name: &str) -> bool {
    let fold = |text: &str| -> Vec<char> { text.trim().to_lowercase().chars().collect() };
    let (pattern, name) = (fold(pattern), fold(name));
    let (mut p, mut n) = (0, 0);
    // Where to go back to: just after the latest star, and the name position it has swallowed to.
    let mut retry: Option<(usize, usize)> = None;
    while n < name.len() {
        match pattern.get(p) {
            Some('*') => {
                p += 1;
                retry = Some((p, n));
            }
            Some(&c) if c == '?' || c == name[n] => {
                p += 1;
                n += 1;
            }
            _ => match &mut retry {
                Some((after, swallowed)) => {
                    *swallowed += 1;
                    p = *after;
                    n = *swallowed;
                }
                None => return false,
            },
        }
    }
    pattern[p..].iter().all(|&c| c == '*')
}

/// A pattern on paths within a watch folder: `*` and `?` stay within one folder, `**` crosses
/// folders, `[ab]` and `{a,b}` choose. Letter case does not matter. A pattern without a slash is
/// compared with the file's name, in whichever folder it lies.
///
/// # Errors
/// What is wrong with the pattern, as a phrase.
pub fn path_glob(pattern: &str) -> Result<GlobMatcher, String> {
    if pattern.trim().is_empty() {
        return Err("an empty pattern matches no path".to_owned());
    }
    if pattern.starts_with('/') {
        return Err("a pattern counts from the watch folder: take the first slash away".to_owned());
    }
    let anywhere;
    let anchored = if pattern.contains('/') {
        pattern
    } else {
        anywhere = format!("**/{pattern}");
        &anywhere
    };
    GlobBuilder::new(anchored)
        .case_insensitive(true)
        .literal_separator(true)
        .build()
        .map(|glob| glob.compile_matcher())
        .map_err(|error| error.kind().to_string())
}
