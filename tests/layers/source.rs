//! Rust source as tokens: enough of a lexer to find paths without being fooled by comments and
//! strings.
//!
//! Invariant: a token's line is its line in the file. Literals are no tokens: texts are told of apart
//! from them. It does not know the rules.

/// One token: a word, or one character of punctuation (`::` is one token).
#[derive(Debug)]
pub struct Token {
    /// The word or punctuation.
    pub text: String,
    /// Line in the file, from 1.
    pub line: usize,
    /// Path of the module it stands in, from the crate's root.
    pub module: Vec<String>,
    /// True inside an inline module that is compiled for tests only.
    pub in_tests: bool,
}

/// Tokens of a file whose own module is `module`.
pub fn tokens(text: &str, module: &[String]) -> Vec<Token> {
    let mut found = Vec::new();
    for (line, text) in lex(text).0 {
        found.push(Token {
            text,
            line,
            module: Vec::new(),
            in_tests: false,
        });
    }
    place(&mut found, module);
    found
}

/// Texts of a file as the compiler has them, without those in a module of tests at its end.
pub fn texts(file: &str) -> Vec<String> {
    let (code, _) = file
        .split_once("#[cfg(test)]\nmod tests {")
        .unwrap_or((file, ""));
    lex(code).1
}

/// Names of the modules that `#[cfg(test)] mod name;` declares.
pub fn test_modules(tokens: &[Token]) -> Vec<Vec<String>> {
    let declares = |at: usize| is_test_only(tokens, at) && text_at(tokens, at + 2) == ";";
    (0..tokens.len())
        .filter(|&at| tokens[at].text == "mod" && declares(at))
        .map(|at| {
            let mut path = tokens[at].module.clone();
            path.push(text_at(tokens, at + 1).to_owned());
            path
        })
        .collect()
}

/// The text of the token at `at`, empty beyond the end.
pub fn text_at(tokens: &[Token], at: usize) -> &str {
    tokens.get(at).map_or("", |token| token.text.as_str())
}

/// True where the `mod` at `at` carries `#[cfg(test)]`, attributes and `pub` in between allowed.
fn is_test_only(tokens: &[Token], at: usize) -> bool {
    const MARK: [&str; 7] = ["#", "[", "cfg", "(", "test", ")", "]"];
    let from = tokens[..at]
        .iter()
        .rposition(|token| matches!(token.text.as_str(), ";" | "}" | "{"))
        .map_or(0, |last| last + 1);
    let before: Vec<&str> = tokens[from..at].iter().map(|t| t.text.as_str()).collect();
    before.windows(MARK.len()).any(|window| window == MARK)
}

/// Fills in where each token stands: follows inline modules by their braces.
fn place(tokens: &mut [Token], module: &[String]) {
    let mut open: Vec<Option<(String, bool)>> = Vec::new();
    for at in 0..tokens.len() {
        let names = open.iter().flatten();
        tokens[at].module = module
            .iter()
            .chain(names.map(|(name, _)| name))
            .cloned()
            .collect();
        tokens[at].in_tests = open.iter().flatten().any(|(_, tests)| *tests);
        match tokens[at].text.as_str() {
            "{" if at >= 2 && tokens[at - 2].text == "mod" => {
                let tests = is_test_only(tokens, at - 2);
                open.push(Some((tokens[at - 1].text.clone(), tests)));
            }
            "{" => open.push(None),
            "}" => {
                open.pop();
            }
            _ => {}
        }
    }
}

/// Words and punctuation with their lines; and texts.
fn lex(text: &str) -> (Vec<(usize, String)>, Vec<String>) {
    let chars: Vec<char> = text.chars().collect();
    let at = |i: usize| chars.get(i).copied().unwrap_or('\0');
    let (mut found, mut texts, mut i, mut line) = (Vec::new(), Vec::new(), 0, 1);
    while i < chars.len() {
        let start = i;
        match chars[i] {
            '/' if at(i + 1) == '/' => {
                while i < chars.len() && chars[i] != '\n' {
                    i += 1;
                }
            }
            '/' if at(i + 1) == '*' => i = past_comment(&chars, i),
            '"' => {
                i = past_string(&chars, i);
                texts.push(unescaped(&chars[start + 1..(i - 1).min(chars.len())]));
            }
            'r' | 'b' | 'c' if raw_hashes(&chars, i).is_some() => i = past_raw(&chars, i),
            'b' | 'c' if at(i + 1) == '"' => i = past_string(&chars, i + 1),
            '\'' if at(i + 1) == '\\' => {
                i += 3;
                while i < chars.len() && chars[i] != '\'' {
                    i += 1;
                }
                i += 1;
            }
            // A character literal, unless it is a lifetime.
            '\'' if at(i + 2) == '\'' => i += 3,
            c if c.is_alphanumeric() || c == '_' => {
                while at(i).is_alphanumeric() || at(i) == '_' {
                    i += 1;
                }
                found.push((line, chars[start..i].iter().collect()));
            }
            ':' if at(i + 1) == ':' => {
                i += 2;
                found.push((line, "::".to_owned()));
            }
            c => {
                i += 1;
                if !c.is_whitespace() {
                    found.push((line, c.to_string()));
                }
            }
        }
        let end = i.min(chars.len());
        line += chars[start..end].iter().filter(|&&c| c == '\n').count();
    }
    (found, texts)
}

/// A text without its escapes; a line end after a backslash goes with the blanks that follow.
fn unescaped(chars: &[char]) -> String {
    let mut text = String::new();
    let mut rest = chars.iter().copied().peekable();
    while let Some(c) = rest.next() {
        match (c, if c == '\\' { rest.next() } else { None }) {
            ('\\', Some('\n')) => while rest.next_if(|c| c.is_whitespace()).is_some() {},
            ('\\', Some('n' | 't' | 'r')) => text.push(' '),
            ('\\', escaped) => text.extend(escaped),
            (c, _) => text.push(c),
        }
    }
    text
}

fn past_comment(chars: &[char], mut i: usize) -> usize {
    let mut depth = 0;
    while i < chars.len() {
        match (chars[i], chars.get(i + 1)) {
            ('/', Some('*')) => (depth, i) = (depth + 1, i + 2),
            ('*', Some('/')) => (depth, i) = (depth - 1, i + 2),
            _ => i += 1,
        }
        if depth == 0 {
            break;
        }
    }
    i
}

fn past_string(chars: &[char], mut i: usize) -> usize {
    i += 1;
    while i < chars.len() && chars[i] != '"' {
        i += if chars[i] == '\\' { 2 } else { 1 };
    }
    i + 1
}

/// The number of hashes where a raw string begins at `i`, and where its quote is.
fn raw_hashes(chars: &[char], i: usize) -> Option<(usize, usize)> {
    let r = i + usize::from(matches!(chars[i], 'b' | 'c'));
    if chars.get(r) != Some(&'r') {
        return None;
    }
    let hashes = chars[r + 1..].iter().take_while(|&&c| c == '#').count();
    let quote = r + 1 + hashes;
    (chars.get(quote) == Some(&'"')).then_some((hashes, quote))
}

fn past_raw(chars: &[char], i: usize) -> usize {
    let Some((hashes, quote)) = raw_hashes(chars, i) else {
        return i + 1;
    };
    let ends = |at: usize| {
        chars[at] == '"'
            && chars[at + 1..].len() >= hashes
            && chars[at + 1..at + 1 + hashes].iter().all(|&c| c == '#')
    };
    (quote + 1..chars.len())
        .find(|&at| ends(at))
        .map_or(chars.len(), |at| at + 1 + hashes)
}
