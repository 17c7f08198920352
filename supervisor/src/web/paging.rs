//! Lists that grow, page by page: `limit` says how many, `after` goes on behind the last one of the page before. History is asked
//! for one page and no more, so that a list has no end but its own.

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

impl<T> PageOf<T> {
    /// The page that begins with the first of `found`, of which one more than `limit` was asked for; `key` is an item's cursor.
    pub(super) fn cut(mut found: Vec<T>, limit: usize, key: impl Fn(&T) -> String) -> Self {
        let has_more = found.len() > limit;
        found.truncate(limit);
        let next = if has_more { found.last().map(key) } else { None };
        Self { items: found, next }
    }

    /// Each item made into another, or left out where it can't be read.
    pub(super) fn read<U>(self, read: impl Fn(T) -> Option<U>) -> PageOf<U> {
        PageOf { items: self.items.into_iter().filter_map(read).collect(), next: self.next }
    }
}

fn bad(text: String) -> Problem {
    Problem::new(StatusCode::UNPROCESSABLE_ENTITY, text)
}

impl Paging {
    /// How many items the page has at most.
    ///
    /// # Errors
    /// What is no such number, with what is accepted.
    pub(super) fn limit(&self) -> Result<usize, Problem> {
        let Some(text) = self.limit.as_deref() else { return Ok(USUAL) };
        let limit = text.parse().ok().filter(|limit| (1..=MOST).contains(limit));
        limit.ok_or_else(|| bad(format!("\"limit\" is a whole number, 1 to {MOST}")))
    }

    /// Behind what the page begins, read by `read`; `None` for the first page.
    ///
    /// # Errors
    /// What is no cursor of this list.
    pub(super) fn after<C>(&self, read: impl Fn(&str) -> Option<C>) -> Result<Option<C>, Problem> {
        let Some(after) = self.after.as_deref() else { return Ok(None) };
        let cursor = Some(after).filter(|after| after.len() <= LONGEST).and_then(read);
        cursor.map(Some).ok_or_else(|| bad("\"after\" is the \"next\" of the page before".to_owned()))
    }

    /// The page of `all` that is asked for, where a list is short and whole; `key` is an item's cursor and stays the same while the
    /// list grows.
    ///
    /// # Errors
    /// A limit or a cursor that is none, with what is accepted.
    pub(super) fn of<T>(&self, all: Vec<T>, key: impl Fn(&T) -> String) -> Result<PageOf<T>, Problem> {
        let limit = self.limit()?;
        let place = |after: &str| all.iter().position(|item| key(item) == after);
        let from = self.after(place)?.map_or(0, |at| at + 1);
        let found = all.into_iter().skip(from).take(limit + 1).collect();
        Ok(PageOf::cut(found, limit, key))
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
        assert!(page("10", Some(&"1".repeat(201))).is_none());
    }
}
