//! Names that a person gives with `*` for any characters.

/// Does a pattern fit a file's name, or its base if the pattern names no folder?
pub(crate) fn is_meant(pattern: &str, name: &str) -> bool {
    fits(pattern, name) || (!pattern.contains('/') && fits_base(pattern, name))
}

fn fits_base(pattern: &str, name: &str) -> bool {
    fits(pattern, name.rsplit('/').next().unwrap_or(name))
}

/// Does `pattern`, in which `*` stands for any characters, fit the whole of `name`?
pub(crate) fn fits(pattern: &str, name: &str) -> bool {
    let mut parts = pattern.split('*');
    let first = parts.next().unwrap_or("");
    let Some(mut rest) = name.strip_prefix(first) else { return false };
    let Some(last) = parts.next_back() else { return rest.is_empty() };
    for part in parts {
        match rest.find(part) {
            Some(at) => rest = &rest[at + part.len()..],
            None => return false,
        }
    }
    rest.ends_with(last)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn patterns() {
        assert!(fits("*", "a/b.wav") && fits("a/*.wav", "a/b.wav") && fits("a*b*c", "aXXbYYc") && fits("a", "a"));
        assert!(!fits("a*a", "a") && !fits("b.wav", "a/b.wav") && !fits("a*b*c", "acb"));
        assert!(fits_base("b.*", "a/b.wav"));
    }
}
