//! The token file.

use crate::http::{Token, TokenError};

#[cfg(unix)]
#[test]
fn it_is_made_once_for_this_user_only() {
    use std::os::unix::fs::PermissionsExt as _;
    let folder = tempfile::tempdir().expect("a folder");
    let file = folder.path().join("token");
    assert!(matches!(Token::read(&file), Err(TokenError::Read { .. })), "the client does not make one");
    let made = Token::read_or_make(&file).expect("it is made");
    assert_eq!(std::fs::metadata(&file).expect("it is there").permissions().mode() & 0o777, 0o600);
    let text = std::fs::read_to_string(&file).expect("it reads");
    assert!(text.len() == 65 && text.trim().bytes().all(|b| b.is_ascii_hexdigit()), "{text}");
    assert!(Token::read_or_make(&file).expect("it is kept") == made);
    assert_eq!(format!("{made:?}"), "Token(hidden)");
    assert_eq!(std::fs::read_dir(folder.path()).expect("it lists").count(), 1, "nothing half-made is left");
    let other = Token::read_or_make(&folder.path().join("other")).expect("it is made");
    assert!(other != made, "each is another");

    std::fs::set_permissions(&file, std::fs::Permissions::from_mode(0o644)).expect("it is set");
    let open = Token::read_or_make(&file).expect_err("others can read it").to_string();
    assert!(open.contains("has mode 644: others can read it"), "{open}");
    std::fs::set_permissions(&file, std::fs::Permissions::from_mode(0o600)).expect("it is set");
    for text in ["", "secret", &"g".repeat(64), &"0".repeat(63)] {
        std::fs::write(&file, text).expect("it writes");
        assert!(matches!(Token::read_or_make(&file), Err(TokenError::NotAToken { .. })), "{text}");
    }
    let nowhere = Token::read_or_make(&folder.path().join("none/token")).expect_err("no folder").to_string();
    assert!(nowhere.contains("its folder must be there"), "{nowhere}");
}
