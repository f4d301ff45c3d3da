//! Who may read: by the name that is asked for, and by the token where there is one.

use std::fs;
use std::io;
use std::net::IpAddr;
use std::path::Path;

use base64::Engine as _;
use base64::prelude::BASE64_STANDARD;
use hyper::HeaderMap;
use hyper::header::{AUTHORIZATION, HOST, HeaderValue, ORIGIN};
use sha2::{Digest, Sha256};

/// A secret that a reader has to give, as the password of HTTP's own basic scheme (RFC 7617) or as
/// a bearer token (RFC 6750).
#[derive(Clone)]
pub struct Token([u8; 32]);

/// A shorter one could be guessed.
const SHORTEST: usize = 16;

impl Token {
    /// The first line of a file.
    ///
    /// # Errors
    /// If the file cannot be read, or the line has fewer than 16 characters.
    pub fn read(path: &Path) -> io::Result<Token> {
        Token::from_text(&fs::read_to_string(path)?)
    }

    /// The first line of a text.
    ///
    /// # Errors
    /// If the line has fewer than 16 characters.
    pub fn from_text(text: &str) -> io::Result<Token> {
        let token = text.lines().next().unwrap_or_default().trim();
        if token.chars().count() < SHORTEST {
            let what = format!("its first line, the token, has fewer than {SHORTEST} characters");
            return Err(io::Error::new(io::ErrorKind::InvalidInput, what));
        }
        Ok(Token::new(token.as_bytes()))
    }

    /// Only its digest is kept and compared, so that the time it takes tells nothing of it.
    fn new(token: &[u8]) -> Token {
        Token(Sha256::digest(token).into())
    }

    fn is(&self, given: &[u8]) -> bool {
        self.0 == Token::new(given).0
    }
}

impl std::fmt::Debug for Token {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Token")
    }
}

/// What a request must show to be answered.
#[derive(Debug, Clone, Default)]
pub struct Access {
    /// Names by which it may be asked for, beside addresses and `localhost`; `None`: any.
    pub hosts: Option<Vec<String>>,
    /// The token, where one is needed.
    pub token: Option<Token>,
}

impl Access {
    /// Whether a client asks by an address, for `localhost` or by a name that was given. A page from
    /// elsewhere whose name was made to lead here asks by that name, and must not read anything.
    pub(super) fn knows_host(&self, headers: &HeaderMap) -> bool {
        let Some(hosts) = &self.hosts else { return true };
        headers.get_all(HOST).iter().all(|host| is_host(host, hosts))
    }

    /// Whether the client gave the token.
    pub(super) fn admits(&self, headers: &HeaderMap) -> bool {
        let Some(token) = &self.token else { return true };
        let given = headers.get(AUTHORIZATION).and_then(|value| value.to_str().ok());
        let Some((scheme, given)) = given.and_then(|given| given.split_once(' ')) else {
            return false;
        };
        let given = given.trim();
        if scheme.eq_ignore_ascii_case("bearer") {
            return token.is(given.as_bytes());
        }
        let decoded = BASE64_STANDARD.decode(given).unwrap_or_default();
        let password = decoded.iter().position(|&byte| byte == b':').map(|at| &decoded[at + 1..]);
        scheme.eq_ignore_ascii_case("basic") && password.is_some_and(|given| token.is(given))
    }
}

/// Whether a form was sent by the page itself. The browser says so; a page from elsewhere cannot.
pub(super) fn is_from_the_page(headers: &HeaderMap) -> bool {
    let text = |name| headers.get(name).and_then(|value: &HeaderValue| value.to_str().ok());
    match (text(ORIGIN), text(HOST)) {
        (Some(origin), Some(host)) => {
            origin.strip_prefix("http://").is_some_and(|origin| origin.eq_ignore_ascii_case(host))
        }
        _ => false,
    }
}

fn is_host(host: &HeaderValue, hosts: &[String]) -> bool {
    let Ok(host) = host.to_str() else { return false };
    let name = match host.rsplit_once(':') {
        Some((name, port)) if port.bytes().all(|byte| byte.is_ascii_digit()) => name,
        _ => host,
    };
    let address = name.strip_prefix('[').and_then(|name| name.strip_suffix(']')).unwrap_or(name);
    name.eq_ignore_ascii_case("localhost")
        || address.parse::<IpAddr>().is_ok()
        || hosts.iter().any(|known| known.eq_ignore_ascii_case(name))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn headers(pairs: &[(hyper::header::HeaderName, &str)]) -> HeaderMap {
        let value = |value: &str| HeaderValue::from_str(value).unwrap();
        pairs.iter().map(|(name, text)| (name.clone(), value(text))).collect()
    }

    #[test]
    fn only_names_of_this_machine_are_answered() {
        let access = Access { hosts: Some(vec!["cabinet3.local".into()]), token: None };
        for (host, is_ours) in [
            ("127.0.0.1:9771", true),
            ("127.0.0.1", true),
            ("[::1]:9771", true),
            ("[::1]", true),
            ("localhost:9771", true),
            ("LocalHost", true),
            ("cabinet3.local:8071", true),
            ("Cabinet3.local", true),
            ("evil.cabinet3.local", false),
            ("orchard.example:9771", false),
            ("localhost.orchard.example", false),
            ("127.0.0.1.orchard.example:9771", false),
            ("", false),
        ] {
            assert_eq!(access.knows_host(&headers(&[(HOST, host)])), is_ours, "{host}");
        }
        assert!(Access::default().knows_host(&headers(&[(HOST, "orchard.example")])));
    }

    #[test]
    fn the_token_opens_and_nothing_else() {
        let secret = "a-token-of-the-cabinet";
        let access = Access { hosts: None, token: Some(Token::new(secret.as_bytes())) };
        let basic = |user_and_password: &str| {
            format!("Basic {}", BASE64_STANDARD.encode(user_and_password))
        };
        for (given, opens) in [
            (basic(&format!("anybody:{secret}")), true),
            (basic(&format!(":{secret}")), true),
            (format!("Bearer {secret}"), true),
            (format!("bearer {secret}"), true),
            (basic(secret), false),
            (basic("anybody:"), false),
            (basic(&format!("anybody:{secret}x")), false),
            ("Basic !!!".into(), false),
            ("Bearer".into(), false),
            (format!("Digest {secret}"), false),
            (String::new(), false),
        ] {
            assert_eq!(access.admits(&headers(&[(AUTHORIZATION, &given)])), opens, "{given}");
        }
        assert!(!access.admits(&HeaderMap::new()));
        assert!(!format!("{access:?}").contains(secret));
    }

    #[test]
    fn a_token_that_can_be_guessed_is_refused() {
        let directory = tempfile::tempdir().unwrap();
        let file = directory.path().join("token");
        fs::write(&file, "too-short\n").unwrap();
        assert!(Token::read(&file).unwrap_err().to_string().contains("fewer than 16"));
        fs::write(&file, "long-enough-to-be-one\nmore\n").unwrap();
        assert!(Token::read(&file).unwrap().is(b"long-enough-to-be-one"));
    }

    #[test]
    fn a_form_comes_from_the_page_itself() {
        for (origin, ours) in [
            ("http://127.0.0.1:8071", true),
            ("http://orchard.example", false),
            ("https://127.0.0.1:8071", false),
            ("null", false),
        ] {
            let headers = headers(&[(ORIGIN, origin), (HOST, "127.0.0.1:8071")]);
            assert_eq!(is_from_the_page(&headers), ours, "{origin}");
        }
        assert!(!is_from_the_page(&headers(&[(HOST, "127.0.0.1:8071")])));
    }
}
