//! The store of captures.

use super::*;
use crate::records::RecordsError;

#[test]
fn a_capture_is_kept_once_and_checked_when_read() {
    block_on(async {
        let temporary = tempfile::tempdir().expect("a folder");
        let data = open(temporary.path()).await;
        let store = data.captures();
        let bytes: Vec<u8> = (0..=255).cycle().take(5_000).collect();
        let (one, two) = tokio::join!(store.put(bytes.clone()), store.put(bytes.clone()));
        let name = one.expect("it is kept");
        assert_eq!(name, two.expect("it is kept"));
        assert_eq!(name, ContentHash::of(&bytes));
        assert_eq!(store.get(&name).await.expect("it is there"), bytes);
        let path = store.path(&name);
        assert!(path.ends_with(format!("captures/{}/{name}", &name.to_string()[..2])), "{}", path.display());
        let folder = path.parent().expect("a folder");
        assert_eq!(std::fs::read_dir(folder).expect("it lists").count(), 1, "nothing half-made is left");

        std::fs::write(&path, &bytes[..4_999]).expect("it writes");
        let damaged = store.get(&name).await.expect_err("it is damaged");
        assert!(matches!(&damaged, RecordsError::CaptureDamaged { file, .. } if *file == path), "{damaged}");
        assert_eq!(store.put(bytes.clone()).await.expect("it is mended"), name);
        assert_eq!(store.get(&name).await.expect("it is there"), bytes);

        std::fs::remove_file(&path).expect("it goes");
        let missing = store.get(&name).await.expect_err("it is gone");
        assert!(matches!(&missing, RecordsError::CaptureMissing { file } if *file == path), "{missing}");
    });
}

#[test]
fn what_a_kill_left_half_made_is_removed() {
    block_on(async {
        let temporary = tempfile::tempdir().expect("a folder");
        let name = open(temporary.path()).await.captures().put(vec![1, 2, 3]).await.expect("it is kept");
        let path = open(temporary.path()).await.captures().path(&name);
        let half = path.with_file_name(format!(".{name}.0.new"));
        let run = temporary.path().join("runs/.r20260301-142913-001.journal.new");
        for left in [&half, &run] {
            std::fs::write(left, [1]).expect("it writes");
        }
        let data = open(temporary.path()).await;
        assert!(!half.exists() && !run.exists());
        assert_eq!(data.captures().get(&name).await.expect("it is there"), [1, 2, 3]);
    });
}
