//! A service of its own for each test: fresh database, port 0, a clock that stands until it is moved.
//!
//! Every answer is held against the published contract: an error must be a problem document whose code the contract
//! lists for that operation, and a success must be a status that it lists.

mod clock;
mod database;
mod devices;
mod tablet;

pub use clock::ManualClock;
pub use devices::{Device, Keys, PersonsKey};
pub use tablet::{Tablet, batch};

use clampward_api::config::{Config, Limits};
use clampward_api::photos::{Photos, Place};
use clampward_api::sign_in::{KeyRing, SigningKey};
use clampward_api::{commands, openapi};
use clampward_testkit::TestDatabase;
use serde_json::Value;
use std::sync::Arc;
use utoipa::openapi::OpenApi;

/// The secret of the key that test services sign with.
pub const SECRET: [u8; 32] = [42; 32];
/// Their issuer.
pub const ISSUER: &str = "https://clampward.test";
/// E-mail address of the first administrator.
pub const ADMINISTRATOR: &str = "ada.berg@halvorsund.example";

/// A running service.
pub struct TestApp {
    pub url: String,
    pub clock: Arc<ManualClock>,
    pub administrator_password: String,
    pub database: Arc<TestDatabase>,
    /// Where its photos are kept, and the folder of that place.
    pub photos: Arc<Photos>,
    pub folder: Arc<tempfile::TempDir>,
    client: awc::Client,
    contract: OpenApi,
    handle: actix_web::dev::ServerHandle,
}

/// A second process on a service's database, which can be told to stop as the binary is.
pub struct Beside {
    pub app: TestApp,
    pub stop: tokio::sync::oneshot::Sender<()>,
    pub ended: actix_web::rt::task::JoinHandle<()>,
}

/// An answer.
#[derive(Debug)]
pub struct Reply {
    pub status: u16,
    pub headers: awc::http::header::HeaderMap,
    pub body: Value,
    /// The body as it came.
    pub bytes: Vec<u8>,
}

impl Reply {
    pub fn header(&self, name: &str) -> Option<&str> {
        self.headers.get(name).and_then(|value| value.to_str().ok())
    }
    /// The body as text.
    pub fn page(&self) -> &str {
        std::str::from_utf8(&self.bytes).expect("UTF-8")
    }
    pub fn etag(&self) -> &str {
        self.header("etag").expect("an ETag")
    }
    /// The body as lines of JSON.
    pub fn lines(&self) -> Vec<Value> {
        let text = String::from_utf8(self.bytes.clone()).expect("UTF-8");
        text.lines()
            .map(|line| serde_json::from_str(line).expect("a line of JSON"))
            .collect()
    }
    /// The body as rows of CSV, the heading first.
    pub fn rows(&self) -> Vec<Vec<String>> {
        csv::ReaderBuilder::new()
            .has_headers(false)
            .from_reader(self.bytes.as_slice())
            .into_records()
            .map(|row| row.expect("a row").iter().map(str::to_owned).collect())
            .collect()
    }
    pub fn text(&self, pointer: &str) -> String {
        self.body
            .pointer(pointer)
            .and_then(Value::as_str)
            .unwrap_or_else(|| panic!("{pointer} in {}", self.body))
            .to_owned()
    }
    /// The problem's code, and the pointer and code of its first input error.
    #[track_caller]
    pub fn refused(&self, status: u16, code: &str) -> &Self {
        assert_eq!(
            (self.status, self.body["code"].as_str()),
            (status, Some(code)),
            "{}",
            self.body
        );
        self
    }
    #[track_caller]
    pub fn at(&self, pointer: &str, code: &str) -> &Self {
        let errors = self.body["errors"].as_array().cloned().unwrap_or_default();
        assert!(
            errors
                .iter()
                .any(|error| error["pointer"] == pointer && error["code"] == code),
            "{}",
            self.body
        );
        self
    }
    #[track_caller]
    pub fn succeeded(self, status: u16) -> Self {
        assert_eq!(self.status, status, "{}", self.body);
        self
    }
}

/// A request that is being put together.
pub struct Call<'a> {
    app: &'a TestApp,
    method: awc::http::Method,
    path: String,
    headers: Vec<(String, String)>,
    body: Option<Vec<u8>>,
}

impl Call<'_> {
    pub fn token(self, token: &str) -> Self {
        self.header("Authorization", &format!("Bearer {token}"))
    }
    pub fn header(mut self, name: &str, value: &str) -> Self {
        self.headers.push((name.to_owned(), value.to_owned()));
        self
    }
    pub fn json(self, body: &Value) -> Self {
        self.raw(body.to_string().into_bytes())
            .header("Content-Type", "application/json")
    }
    pub fn raw(mut self, body: Vec<u8>) -> Self {
        self.body = Some(body);
        self
    }
    pub async fn send(self) -> Reply {
        let mut request = self
            .app
            .client
            .request(self.method.clone(), format!("{}{}", self.app.url, self.path));
        for (name, value) in &self.headers {
            request = request.append_header((name.as_str(), value.as_str()));
        }
        let mut response = request
            .send_body(self.body.unwrap_or_default())
            .await
            .expect("an answer");
        let bytes = response.body().limit(64 << 20).await.expect("a body");
        let mut reply = Reply {
            status: response.status().as_u16(),
            headers: response.headers().clone(),
            body: serde_json::from_slice(&bytes).unwrap_or(Value::Null),
            bytes: bytes.to_vec(),
        };
        if self.method == awc::http::Method::HEAD {
            assert_eq!(reply.bytes, b"", "an answer to HEAD has no body");
            reply.body = self.app.told_to_head(&self.path, &reply);
        }
        self.app.hold_against_contract(&self.method, &self.path, &reply);
        reply
    }
}

impl TestApp {
    /// Starts one at 2025-03-14T09:00:00Z.
    pub async fn start() -> Self {
        Self::start_with(Limits::default()).await
    }
    /// Starts one with limits of its own.
    pub async fn start_with(limits: Limits) -> Self {
        let key = SigningKey::from_secret(&SECRET).expect("key");
        Self::start_with_keys(key.into(), limits).await
    }
    /// Starts one with signing keys of its own.
    pub async fn start_with_keys(signing_keys: Arc<KeyRing>, limits: Limits) -> Self {
        let database = TestDatabase::new().await;
        let clock = Arc::new(ManualClock::at("2025-03-14T09:00:00Z"));
        let administrator = commands::NewAdministrator {
            database_url: database.service_url.clone(),
            email: ADMINISTRATOR.to_owned(),
            name: "Ada Berg".to_owned(),
            another: false,
        };
        let administrator_password = commands::create_administrator(administrator, clock.clone())
            .await
            .expect("an administrator");
        Self::serve_with_keys(database, clock, administrator_password, signing_keys, limits)
    }
    /// Serves a database that has its people already.
    pub fn serve(
        database: TestDatabase,
        clock: Arc<ManualClock>,
        administrator_password: String,
        limits: Limits,
    ) -> Self {
        let key = SigningKey::from_secret(&SECRET).expect("key");
        Self::serve_with_keys(database, clock, administrator_password, key.into(), limits)
    }
    /// A second process on this one's database.
    pub fn beside(&self) -> Beside {
        let key = SigningKey::from_secret(&SECRET).expect("key");
        let limits = Limits {
            drain: std::time::Duration::from_millis(200),
            ..Limits::default()
        };
        let running = Self::running(&self.database, &self.clock, &self.photos, key.into(), limits);
        let app = Self::of(
            &running,
            Arc::clone(&self.database),
            Arc::clone(&self.clock),
            (Arc::clone(&self.photos), Arc::clone(&self.folder)),
            self.administrator_password.clone(),
        );
        let (stop, told) = tokio::sync::oneshot::channel();
        let ended = actix_web::rt::spawn(async move {
            let told = async move {
                told.await.expect("somebody stops it");
            };
            running.serve_until(told).await.expect("it ends well");
        });
        Beside { app, stop, ended }
    }
    fn serve_with_keys(
        database: TestDatabase,
        clock: Arc<ManualClock>,
        administrator_password: String,
        signing_keys: Arc<KeyRing>,
        limits: Limits,
    ) -> Self {
        let folder = Arc::new(tempfile::tempdir().expect("a folder"));
        let photos = Arc::new(Photos::new(Place::Folder(folder.path().join("photos"))));
        let running = Self::running(&database, &clock, &photos, signing_keys, limits);
        let kept = (photos, folder);
        let app = Self::of(&running, Arc::new(database), clock, kept, administrator_password);
        actix_web::rt::spawn(running.server);
        app
    }
    fn running(
        database: &TestDatabase,
        clock: &Arc<ManualClock>,
        photos: &Arc<Photos>,
        signing_keys: Arc<KeyRing>,
        limits: Limits,
    ) -> clampward_api::Running {
        clampward_api::build(Config {
            listen: ([127, 0, 0, 1], 0).into(),
            metrics_listen: None,
            database_url: database.service_url.clone(),
            standby: None,
            connections_per_worker: 4,
            workers: 1,
            signing_keys,
            issuer: ISSUER.to_owned(),
            photos: Arc::clone(photos),
            webhook_targets: Arc::new("erp.halvorsund.example".parse().expect("targets")),
            clock: clock.clone(),
            limits,
        })
        .expect("a server")
    }
    fn of(
        running: &clampward_api::Running,
        database: Arc<TestDatabase>,
        clock: Arc<ManualClock>,
        (photos, folder): (Arc<Photos>, Arc<tempfile::TempDir>),
        administrator_password: String,
    ) -> Self {
        let client = awc::Client::builder()
            .timeout(std::time::Duration::from_secs(30))
            .finish();
        Self {
            url: format!("http://{}", running.address),
            clock,
            administrator_password,
            database,
            photos,
            folder,
            client,
            contract: openapi::document(),
            handle: running.handle(),
        }
    }
    pub fn call(&self, method: &str, path: &str) -> Call<'_> {
        let method = method.parse().expect("a method");
        Call {
            app: self,
            method,
            path: path.to_owned(),
            headers: Vec::new(),
            body: None,
        }
    }
    pub async fn get(&self, token: &str, path: &str) -> Reply {
        self.call("GET", path).token(token).send().await
    }
    pub async fn post(&self, token: &str, path: &str, body: &Value) -> Reply {
        self.call("POST", path).token(token).json(body).send().await
    }
    pub async fn try_sign_in(&self, email: &str, password: &str) -> Reply {
        let body = serde_json::json!({ "email": email, "password": password });
        self.call("POST", "/v1/auth/token").json(&body).send().await
    }
    /// An access token.
    pub async fn sign_in(&self, email: &str, password: &str) -> String {
        self.try_sign_in(email, password)
            .await
            .succeeded(200)
            .text("/access_token")
    }
    /// The first administrator's access token.
    pub async fn administrator(&self) -> String {
        self.sign_in(ADMINISTRATOR, &self.administrator_password).await
    }
    /// Sets a password with a one-time token.
    pub async fn set_password(&self, token: &str, password: &str) {
        let set = serde_json::json!({ "token": token, "password": password });
        let call = self.call("POST", "/v1/auth/set-password").json(&set);
        call.send().await.succeeded(204);
    }
    /// A new person with an access token.
    pub async fn person(&self, name: &str, roles: &[&str], yards: Value) -> (String, String) {
        let administrator = self.administrator().await;
        let email = format!("{}@halvorsund.example", name.to_lowercase().replace(' ', "."));
        let new = serde_json::json!({ "email": email, "name": name, "roles": roles, "yards": yards });
        let created = self.post(&administrator, "/v1/users", &new).await.succeeded(201);
        let password = format!("the password of {name}");
        self.set_password(&created.text("/set_password_token"), &password)
            .await;
        (created.text("/id"), self.sign_in(&email, &password).await)
    }
    /// A partial change that names the version it changes.
    pub async fn patch(&self, token: &str, path: &str, etag: &str, body: &Value) -> Reply {
        self.call("PATCH", path)
            .token(token)
            .header("If-Match", etag)
            .json(body)
            .send()
            .await
    }
    /// A new yard's id.
    pub async fn yard(&self, token: &str, code: &str, changes: Value) -> String {
        let mut yard = serde_json::json!({
            "code": code, "name": format!("Yard {code}"), "time_zone": "Europe/London", "rule_set": "gb-loler",
        });
        for (name, value) in changes.as_object().into_iter().flatten() {
            yard[name] = value.clone();
        }
        self.post(token, "/v1/yards", &yard)
            .await
            .succeeded(201)
            .text("/id")
    }
    /// The SQLSTATE by which the database refuses a statement, tried as the owner of its tables.
    pub async fn refused_sql(&self, statement: &'static str) -> Option<String> {
        use sqlx::Connection;
        let mut owner = sqlx::PgConnection::connect(&self.database.owner_url)
            .await
            .expect("the owner");
        let refused = sqlx::raw_sql(statement)
            .execute(&mut owner)
            .await
            .expect_err("refused");
        refused
            .as_database_error()
            .and_then(|error| error.code())
            .map(|code| code.into_owned())
    }
    /// Stops the service.
    pub async fn stop(self) {
        self.handle.stop(true).await;
    }

    /// The operation of the contract that a request is for, with its path.
    pub fn operation(&self, method: &str, path: &str) -> Option<(String, &utoipa::openapi::path::Operation)> {
        let path = path.split('?').next().unwrap_or_default();
        let steps: Vec<&str> = path.split('/').collect();
        self.contract.paths.paths.iter().find_map(|(path, item)| {
            let template: Vec<&str> = path.split('/').collect();
            let fits = template.len() == steps.len()
                && template
                    .iter()
                    .zip(&steps)
                    .all(|(want, got)| want.starts_with('{') || want == got);
            if !fits {
                return None;
            }
            openapi::operations(item)
                .into_iter()
                .find(|(name, _)| *name == method)
                .map(|(_, operation)| (path.clone(), operation))
        })
    }

    /// What a refusal of HEAD would say if it had a body: the one problem that the contract lists for its status.
    fn told_to_head(&self, path: &str, reply: &Reply) -> Value {
        if reply.status < 400 {
            return Value::Null;
        }
        let listed = self.operation("HEAD", path).and_then(|(_, operation)| {
            openapi::response(&self.contract, operation, &reply.status.to_string())
        });
        let code = listed.and_then(|response| response.description.split('`').nth(1).map(str::to_owned));
        let instance = format!("urn:uuid:{}", reply.header("x-request-id").unwrap_or_default());
        serde_json::json!({"status": reply.status, "instance": instance, "code": code})
    }
    fn hold_against_contract(&self, method: &awc::http::Method, path: &str, reply: &Reply) {
        assert!(
            reply.header("x-request-id").is_some(),
            "every answer has a request id"
        );
        let problem = reply.status >= 400;
        if problem {
            assert_eq!(
                reply.header("content-type"),
                Some("application/problem+json"),
                "{method} {path}: {reply:?}"
            );
            let instance = format!("urn:uuid:{}", reply.header("x-request-id").unwrap_or_default());
            assert_eq!(reply.body["instance"], instance, "{method} {path}");
            assert_eq!(reply.body["status"], reply.status, "{method} {path}");
        }
        let Some((_, operation)) = self.operation(method.as_str(), path) else {
            return;
        };
        let listed = openapi::response(&self.contract, operation, &reply.status.to_string());
        let Some(response) = listed else {
            panic!(
                "{method} {path} answers {} which its contract does not list: {}",
                reply.status, reply.body
            )
        };
        if problem {
            let code = format!("`{}`", reply.body["code"].as_str().unwrap_or_default());
            assert!(
                response.description.contains(&code),
                "{method} {path}: {code} is not in its contract"
            );
        }
    }
}
