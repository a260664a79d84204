//! The page of a rough cut, put into a report that is there already.

/// Where a rough cut goes in the page, and the link to it. Names cannot hold these: they are escaped.
const CUT: [(&str, &str); 2] = [("<!-- cut link -->", "<!-- /cut link -->"), ("<!-- cut -->", "<!-- /cut -->")];
const CUT_LINK: &str = "<li><a href=\"#cut\">Rough cut</a></li>";

/// What lies between two words that both are there once.
pub(super) fn between(page: &str, (from, to): (&str, &str)) -> Option<std::ops::Range<usize>> {
    let begin = page.find(from)? + from.len();
    let end = begin + page[begin..].find(to)?;
    Some(begin..end)
}

/// Where the chart of a page shows who is heard, and its key. A page that an earlier version made has no such place.
const VOICES: (&str, &str) = ("<!-- voices -->", "<!-- /voices -->");
const VOICES_KEY: (&str, &str) = ("<!-- voices key -->", "<!-- /voices key -->");
const KEY: &str = "<span><i class=\"sample intercom\"></i>local speech</span><span><i class=\"sample radio\"></i>radio</span>\
     <span><i class=\"sample unknown\"></i>local or radio</span>";

/// A page with this rough cut, in place of one that it may have; `None` when it cannot hold one.
pub(crate) fn with_cut(page: &str, section: &str) -> Option<String> {
    let mut page = page.to_owned();
    for (place, content) in CUT.into_iter().zip([CUT_LINK, section]) {
        page.replace_range(between(&page, place)?, content);
    }
    let track = voices(section);
    for (place, content) in [(VOICES, track.as_str()), (VOICES_KEY, if track.is_empty() { "" } else { KEY })] {
        if let Some(range) = between(&page, place) {
            page.replace_range(range, content);
        }
    }
    Some(page)
}

/// The voices of a rough cut's strip as a track of the chart, so that it zooms; empty where nobody speaks.
fn voices(section: &str) -> String {
    let of = |rect: &&str| ["intercom", "radio", "unknown"].iter().any(|c| rect.starts_with(&format!("class=\"{c}\"")));
    let rects = section.split("<rect ").skip(1).filter_map(|rest| Some(rest.split_once('>')?.0)).filter(of);
    let rects: String = rects.map(|rect| format!("<rect {}/>", rect.trim_end_matches('/'))).collect();
    if rects.is_empty() {
        return rects;
    }
    format!(
        "<div class=\"track voices\"><p class=\"name\"><b>voices</b> of people and radio</p>\
         <svg viewBox=\"0 52 1000 18\" preserveAspectRatio=\"none\" role=\"img\" aria-label=\"When someone speaks: \
         the table of the rough cut has it in words\">{rects}</svg></div>\n"
    )
}

/// The rough cut in a page, if it is made as ours are: the page may have come from elsewhere, and been changed.
pub(crate) fn cut_in(page: &str) -> Option<&str> {
    between(page, CUT[1]).map(|range| &page[range]).filter(|section| !section.is_empty() && is_plain(section))
}

/// Does a section hold nothing but the tags and attributes of the rough cut's template? None of them runs, loads or leads
/// anywhere.
fn is_plain(section: &str) -> bool {
    const TAGS: &str =
        " section h2 p svg rect title span i code details summary div table caption thead tbody tr th td ";
    const ATTRIBUTES: &str = " id class role aria-label aria-labelledby tabindex scope data-l x y width height viewBox \
                              preserveAspectRatio ";
    let listed = |list: &str, word: &str| !word.contains(' ') && list.contains(&format!(" {word} "));
    section.split('<').skip(1).all(|rest| {
        let Some((tag, _)) = rest.split_once('>') else { return false };
        let tag = tag.strip_suffix('/').unwrap_or(tag);
        if let Some(name) = tag.strip_prefix('/') {
            return listed(TAGS, name);
        }
        let (name, mut rest) = tag.split_once(' ').unwrap_or((tag, ""));
        while let Some((attribute, value)) = rest.split_once("=\"") {
            let Some((_, after)) = value.split_once('"') else { return false };
            if !listed(ATTRIBUTES, attribute) {
                return false;
            }
            rest = after.trim_start_matches(' ');
        }
        listed(TAGS, name) && rest.is_empty()
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_chart_has_all_voices_of_the_strip() {
        let strip = "<svg><rect class=\"drop\" x=\"0\"/><rect class=\"intercom\" x=\"1\"><title>local, 99 % likely</title></rect>\
                     <rect class=\"unknown\" x=\"2\"><title>?</title></rect><rect class=\"radio\" x=\"3\"/></svg>";
        let track = voices(strip);
        let rects =
            "<rect class=\"intercom\" x=\"1\"/><rect class=\"unknown\" x=\"2\"/><rect class=\"radio\" x=\"3\"/></svg>";
        assert!(track.contains(rects) && !track.contains("drop"), "{track}");
        assert_eq!(voices("<svg></svg>"), "");
    }
}
