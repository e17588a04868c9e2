//! Dead letters are kept until they are settled, one about one thing.

use terce::store::{About, Batch, LetterQuery, Undelivered, Way};

use super::on_each;

fn about(way: Way, name: &str) -> About {
    About { way, place: "record".into(), name: name.into() }
}

fn failing(way: Way, name: &str, why: &str, body: Option<&str>) -> Undelivered {
    Undelivered { about: about(way, name), why: why.into(), body: body.map(|b| b.as_bytes().to_vec()) }
}

#[tokio::test]
async fn what_fails_again_is_one_letter_with_the_last_reason() {
    on_each(async |store| {
        let letters = vec![failing(Way::In, "Procedure/a", "first", Some("1"))];
        store.commit(Batch { now_us: 5, letters, ..Batch::default() }).await.unwrap();
        let letters = vec![
            failing(Way::In, "Procedure/a", "second", Some("2")),
            failing(Way::Out, "Procedure/a", "refused", None),
        ];
        store.commit(Batch { now_us: 9, letters, ..Batch::default() }).await.unwrap();
        let all = LetterQuery { limit: 10, bodies: true, ..LetterQuery::default() };
        let found = store.letters(all.clone()).await.unwrap();
        assert_eq!(found.len(), 2);
        let first = &found[0];
        assert_eq!((first.first_us, first.last_us, first.tries), (5, 9, 2));
        assert_eq!((first.why.as_str(), first.body.as_deref()), ("second", Some(&b"2"[..])));
        assert_eq!(store.letter(first.number).await.unwrap().as_ref(), Some(first));
        let out = LetterQuery { way: Some(Way::Out), ..all.clone() };
        assert_eq!(store.letters(out).await.unwrap(), found[1..]);
        let after = LetterQuery { after: first.number, limit: 10, ..LetterQuery::default() };
        assert_eq!(store.letters(after).await.unwrap().len(), 1);
        assert!(store.letters(LetterQuery { bodies: false, ..all.clone() }).await.unwrap()[0].body.is_none());
        assert!(store.letters(LetterQuery { place: Some("other".into()), ..all }).await.unwrap().is_empty());
        let counts = store.letter_counts().await.unwrap();
        assert_eq!(counts, [(Way::In, "record".to_owned(), 1), (Way::Out, "record".to_owned(), 1)]);
    })
    .await;
}

#[tokio::test]
async fn a_settled_letter_is_gone() {
    on_each(async |store| {
        let letters = vec![failing(Way::In, "a", "x", None)];
        store.commit(Batch { now_us: 1, letters, ..Batch::default() }).await.unwrap();
        let settled = vec![about(Way::In, "a"), about(Way::In, "never was")];
        store.commit(Batch { now_us: 2, settled, ..Batch::default() }).await.unwrap();
        assert!(store.letter_counts().await.unwrap().is_empty());
        assert_eq!(store.letter(1).await.unwrap(), None);
    })
    .await;
}
