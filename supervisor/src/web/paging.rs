//! Lists that grow, page by page: `limit` says how many, `after` goes on behind the last one of the page before.

use super::problem::Problem;
use axum::http::StatusCode;
use serde::Deserialize;

/// Items of a page if nothing else is asked for.
const USUAL: usize = 100;
/// Most items of a page.
const MOST: usize = 1000;
/// Longest cursor that is looked at, bytes.
const LONGEST: usize = 200;

/// Which page.
#[derive(Debug, Default, Deserialize)]
pub(super) struct Paging {
    limit: Option<String>,
    after: Option<String>,
}

/// One page, and the cursor of the next one if there is more.
#[derive(Debug, PartialEq)]
pub(super) struct PageOf<T> {
    pub(super) items: Vec<T>,
    pub(super) next: Option<String>,
}

impl Paging {
    /// The page of `all` that is asked for; `key` is an item's cursor and stays the same while the list grows.
    ///
    /// # Errors
    /// A limit or a cursor that is none, with what is accepted.
    pub(super) fn of<T>(&self, all: Vec<T>, key: impl Fn(&T) -> String) -> Result<PageOf<T>, Problem> {
        let bad = |text: String| Problem::new(StatusCode::UNPROCESSABLE_ENTITY, text);
        let limit = match self.limit.as_deref() {
            None => USUAL,
            Some(text) => {
                let limit = text.parse().ok().filter(|limit| (1..=MOST).contains(limit));
                limit.ok_or_else(|| bad(format!("\"limit\" is a whole number, 1 to {MOST}")))?
            }
        };
        let from = match self.after.as_deref() {
            None => 0,
            Some(after) => {
                let at = all.iter().position(|item| after.len() <= LONGEST && key(item) == after);
                1 + at.ok_or_else(|| {
                    bad("\"after\" is the \"next\" of the page before, and this list has none such any more".to_owned())
                })?
            }
        };
        let has_more = all.len() > from + limit;
        let items: Vec<T> = all.into_iter().skip(from).take(limit).collect();
        let next = if has_more { items.last().map(key) } else { None };
        Ok(PageOf { items, next })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn page(limit: &str, after: Option<&str>) -> Option<PageOf<u32>> {
        let paging = Paging { limit: Some(limit.to_owned()), after: after.map(str::to_owned) };
        paging.of((1..=250).collect(), u32::to_string).ok()
    }

    #[test]
    fn pages_follow_each_other_without_gap_or_repeat() {
        let (mut seen, mut after) = (Vec::new(), None);
        loop {
            let page = page("100", after.as_deref()).unwrap();
            seen.extend(page.items);
            after = page.next;
            if after.is_none() {
                break;
            }
        }
        assert_eq!(seen, (1..=250).collect::<Vec<_>>());
        assert_eq!(page("250", None).unwrap().next, None, "no empty last page");
        assert_eq!(Paging::default().of(vec![7; 101], u32::to_string).unwrap().items.len(), 100);
    }

    #[test]
    fn what_is_no_limit_and_no_cursor_is_refused() {
        for wrong in ["0", "1001", "-1", "", "ten", "1e2"] {
            assert!(page(wrong, None).is_none(), "{wrong}");
        }
        assert!(page("10", Some("251")).is_none() && page("10", Some("")).is_none());
    }
}
