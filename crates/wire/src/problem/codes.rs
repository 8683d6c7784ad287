//! The one table of problem codes: code, status, title, help.

use super::Kind;

macro_rules! problems {
    ($($name:ident = $code:literal, $status:literal, $title:literal, $help:literal;)+) => {
        $(#[doc = concat!("`", $code, "`: ", $title, ".")]
        pub const $name: Kind = Kind { code: $code, status: $status, title: $title, help: $help };)+

        /// Every kind of problem.
        pub const CODES: &[Kind] = &[$($name),+];
    };
}

problems! {
    // The request itself.
    MALFORMED_JSON = "malformed-json", 400, "The body is not JSON that can be read",
        "The body must be one JSON object in UTF-8, without a key given twice, without decimals as JSON numbers (write them as text), without integers of 2^53 and more, without the character NUL and nested at most 32 levels. The pointer in errors names the place.";
    INVALID_PARAMETERS = "invalid-parameters", 400, "A parameter in the address is not understood",
        "A part of the path or of the query cannot be read or is unknown. Unknown parameters are refused, so that a mistyped filter is not silently left out. errors names each parameter.";
    INVALID_HEADER = "invalid-header", 400, "A header is not understood",
        "A header that the service must honour cannot be read; the detail names it and the form it should have.";
    BODY_TOO_LARGE = "body-too-large", 413, "The body is too large",
        "The body exceeds the limit that the detail names (after decompression). Send fewer items per request.";
    UNSUPPORTED_MEDIA_TYPE = "unsupported-media-type", 415, "The body has another media type than this operation reads",
        "Send the body with the Content-Type named in the detail, usually application/json.";
    ADDRESS_TOO_LONG = "address-too-long", 414, "The address is too long",
        "The address with its query exceeds the limit address_bytes of /v1/limits. Ask with fewer or shorter parameters.";
    HEADERS_TOO_LARGE = "headers-too-large", 431, "The headers are too large",
        "The request's headers together exceed the limit header_bytes of /v1/limits. Look for a cookie or token that grew, and leave out what is not needed.";
    NOT_ACCEPTABLE = "not-acceptable", 406, "None of the accepted forms is offered",
        "The detail lists the media types that this operation can answer with; name one of them in Accept.";
    INVALID_INPUT = "invalid-input", 422, "The input breaks a rule",
        "The body was read, but fields are unknown, missing or outside their rules. errors names each with a JSON pointer and says what to do. Nothing was recorded.";

    // Who asks.
    NOT_SIGNED_IN = "not-signed-in", 401, "Not signed in",
        "Send an access token in the header Authorization: Bearer. Tokens last 15 minutes; get a new one with the refresh token or by signing in again.";
    WRONG_CREDENTIALS = "wrong-credentials", 401, "E-mail and password do not match",
        "Either the e-mail address is not known here or the password is another; which of the two is not said. Check both, or ask an administrator for a new one-time token to set a password.";
    SESSION_ENDED = "session-ended", 401, "The session has ended",
        "The refresh token is unknown, expired, revoked, or was used before. Use of an old refresh token ends its whole session, because somebody else may hold a copy. Sign in again.";
    INVALID_CLIENT = "invalid-client", 401, "The client is not known by this secret",
        "The service account is unknown or closed, or its secret is wrong, expired or withdrawn; or the device is unknown or revoked, or its assertion is not by its key, not for this service, or over. Which of them is not said, but that an assertion by the right key has times by another clock: server_time says what the time is. An administrator can hand out a new secret. The member error says the same in the words of RFC 6749.";
    INVALID_TOKEN_REQUEST = "invalid-token-request", 400, "The token request is not one",
        "Send grant_type=client_credentials with client_id and client_secret, or with client_assertion_type and client_assertion (RFC 7523), once each, as a form (RFC 6749 section 4.4). The detail says what is amiss; the member error says the same in the words of RFC 6749.";
    UNSUPPORTED_GRANT_TYPE = "unsupported-grant-type", 400, "This grant is not offered",
        "Service accounts and devices get tokens by client_credentials only; people sign in at /v1/auth/token.";
    NOT_ALLOWED = "not-allowed", 403, "Your roles do not allow this",
        "You are signed in, but none of your roles holds the permission that the detail names. An administrator can change roles.";
    OWN_COMPETENCE = "own-competence", 403, "Nobody records their own competence",
        "Competences are recorded and withdrawn by another person with the role safety or administrator.";
    OWN_GRANTS = "own-grants", 403, "Nobody changes their own roles",
        "One's own roles, yards and whether one may sign in are changed by another administrator. Name and e-mail address may be changed by oneself.";
    SET_PASSWORD_TOKEN_INVALID = "set-password-token-invalid", 422, "The one-time token does not open anything",
        "The token is mistyped, was used, has expired, or has been replaced by a newer one. Ask an administrator for a new one.";

    // What is asked for.
    NOT_FOUND = "not-found", 404, "Not found",
        "There is nothing under this address that you can see. What lies outside your yards answers in the same way as what does not exist.";
    METHOD_NOT_ALLOWED = "method-not-allowed", 405, "This address does not know the method",
        "The header Allow lists the methods that the address knows.";

    // Synchronisation.
    CURSOR_INVALID = "cursor-invalid", 400, "The cursor is not one of yours",
        "A cursor is good for the account that it was given to, for the kind of question it came from, and unchanged. Send next_cursor as it came; without one, take a snapshot.";
    EPOCH_CHANGED = "epoch-changed", 410, "The history begins anew",
        "Those who run the service have begun a new epoch, usually after a restore. Push what is unsent, offer again what was acknowledged beyond the stable position, then take a snapshot and go on from its cursor.";
    CURSOR_EXPIRED = "cursor-expired", 410, "The cursor is too old",
        "It was not moved for longer than cursor_hours of /v1/limits, and things have happened since. Push what is unsent, then take a snapshot and go on from its cursor.";
    CURSOR_DIVERGED = "cursor-diverged", 410, "The history behind the cursor is another one",
        "Another row stands where this cursor was: the service went on from before it, and rows that you were told may be gone. Push what is unsent, offer again what was acknowledged beyond the stable position, then take a snapshot and go on from its cursor.";
    CURSOR_FROM_FUTURE = "cursor-from-future", 410, "The history does not reach so far",
        "The service was restored from before this cursor, and rows that you were told may be gone. Push what is unsent, offer again what was acknowledged beyond the stable position, then take a snapshot and go on from its cursor.";
    POSITION_MOVED_ON = "position-moved-on", 409, "The yard is not at this position",
        "Something has happened in the yard since the position that you ask about, its clamps are being reassessed, or the ledger does not reach so far. Pull until there is no more, then ask with known_position.";

    // Doing something once.
    IDEMPOTENCY_KEY_IN_USE = "idempotency-key-in-use", 409, "The request with this key is still being done",
        "Another request with the same Idempotency-Key has not been answered yet. Ask again after the time in Retry-After: you will get its answer, or do it if it failed.";
    IDEMPOTENCY_KEY_REUSED = "idempotency-key-reused", 422, "The key was used for another body",
        "An Idempotency-Key stands for one request: the same key with another body is refused, and what was done first stays. Give a new request a new key.";

    // Changes of reference data.
    VERSION_MISSING = "version-missing", 428, "Say which version you are changing",
        "Read the resource, then send its ETag in the header If-Match, so that a change made meanwhile by somebody else is not lost.";
    VERSION_STALE = "version-stale", 412, "Somebody changed it meanwhile",
        "The ETag in If-Match is not the current one. Read the resource again, look at what changed, and repeat your change with the new ETag.";
    CODE_TAKEN = "code-taken", 409, "The code is taken",
        "Another yard bears this code. Codes are unique in the company; choose another.";
    MODEL_TAKEN = "model-taken", 409, "This model exists already",
        "The maker has a model of this name already. Add a version to that one instead.";
    EMAIL_TAKEN = "email-taken", 409, "The e-mail address is taken",
        "Another account uses this e-mail address. Accounts are personal: one person, one account.";
    SECRETS_FULL = "secrets-full", 409, "Two secrets are valid already",
        "A service account or a webhook endpoint may have two valid secrets, so that one can replace the other without a gap. Withdraw the one that is no longer used, or wait until it ends, then ask again.";
    ENDPOINTS_FULL = "endpoints-full", 409, "There are as many webhook endpoints as there may be",
        "Remove one that is not used any more, then ask again.";
    ENROLMENT_CODE_INVALID = "enrolment-code-invalid", 422, "The enrolment code does not open anything",
        "The code is mistyped, withdrawn, older than 24 hours, or was redeemed with another key; which of them is not said. Ask whoever keeps devices in the yard for a new one.";
    ENROLMENT_USED = "enrolment-used", 409, "The code enrolled a device already",
        "A code that was redeemed is not withdrawn any more. Look for its device among the devices, and revoke that.";
    KEY_IN_USE = "key-in-use", 409, "The key is in use already",
        "Each device, and each person on each device, has a key of its own that was made for it. Make a new pair of keys and send its public half.";
    DEVICE_REVOKED = "device-revoked", 409, "The device is revoked",
        "A revoked device stays revoked: it is neither changed nor signed on any more. Enrol it anew with a new code and a new key.";
    ALREADY_REVOKED = "already-revoked", 409, "Withdrawn already from an earlier or the same day",
        "The competence was withdrawn before. A withdrawal can only be moved to an earlier day; a later one would give validity back, for which a new competence is recorded.";
    VERSION_PENDING = "version-pending", 409, "A later version is waiting already",
        "A version that starts on a later day than the one you ask for is recorded already, and recorded versions are never changed. Choose a day on or after it.";

    // Photos.
    UPLOAD_OFFSET = "upload-offset", 409, "The upload is somewhere else",
        "The piece does not start where the upload ends, or another length was told with its first piece. Upload-Offset and the member offset say where it ends: send the piece that starts there. Two senders of one photo do not disturb each other, each has an upload of their own.";
    TOO_MANY_UPLOADS = "too-many-uploads", 409, "Too many uploads are unfinished",
        "The account has as many unfinished uploads as photo_uploads_open of /v1/limits allows. Finish one of them, then begin the next.";
    PHOTO_MISMATCH = "photo-mismatch", 422, "The bytes are not those of the photo",
        "All bytes arrived, and their SHA-256 is not the one in the address. What arrived was thrown away: send it again from the start.";
    PHOTO_UNREADABLE = "photo-unreadable", 422, "This is no photo that can be kept",
        "Photos are JPEG, PNG or WebP, whole, and of at most photo_pixels pixels (/v1/limits). The detail says what is amiss; what arrived was thrown away. Sending the same bytes again helps nothing: keep the file, and take another photo.";
    PHOTO_TOO_LARGE = "photo-too-large", 413, "The photo is too large",
        "The length that was told exceeds photo_bytes of /v1/limits. Nothing of it was taken.";
    PHOTO_PENDING = "photo-pending", 404, "The photo has not arrived yet",
        "An entry that you see cites it, and whoever took it has not sent it yet. GET /v1/photos?state=pending lists what is awaited.";
    ORIGINAL_NOT_KEPT = "original-not-kept", 404, "The original is not kept",
        "The yards whose entries cite the photo keep no originals: there is the copy for viewing. keep_photo_originals of the yard says so.";

    // The state of a clamp.
    PUSH_UNDER_WAY = "push-under-way", 409, "Another push of this device is under way",
        "One push of a device is recorded at a time. Wait as long as Retry-After says, then send it again: what was recorded is found by its id.";
    ENTRY_HELD = "entry-held", 409, "The entry is held",
        "The entry is kept as it came until a person places it or its cause goes away. Nothing of it is lost; see the yard lead.";
    TOO_MANY_HELD = "too-many-held", 409, "Too many entries of the device are held",
        "As many entries of this device as held_entries of /v1/limits says wait to be placed, so that one which restricts nothing is not taken now. Keep it and send it again later, after retry_after_seconds or more; see the yard lead, who places or dismisses them. What may restrict is taken all the same.";
    HELD_ENTRY_SETTLED = "held-entry-settled", 409, "The held entry is settled already",
        "It was placed, dismissed or recorded by itself before. Read it to see what became of it, and by whom.";
    NOT_AN_ENTRY = "not-an-entry", 422, "The held entry cannot be placed",
        "What came cannot be read as an entry, so that nothing can be recorded of it. Do what it calls for yourself, then dismiss it.";
    BULLETIN_CLOSED = "bulletin-closed", 409, "The bulletin is closed",
        "Everything was accounted for. What comes to light now is held by itself; a further finding is a bulletin of its own.";
    BULLETIN_NOT_ACCOUNTED_FOR = "bulletin-not-accounted-for", 409, "The bulletin cannot be closed yet",
        "Each clamp that it holds has to be returned to service, scrapped, or not found with somebody who looks for it; of information each yard has to say that it read it. Its progress names what is left.";
    NUMBER_TAKEN = "number-taken", 409, "A live clamp has this maker and serial number",
        "Serial numbers are unique per maker and never used again, also after scrapping. Look for the clamp that has it; if the plate was misread, register with the number read again.";
    ID_REUSED = "id-reused", 409, "The id was used before for other content",
        "An entry's id is its idempotency key for ever. The same id with other content is refused; give a new fact a new id.";
    TAGGED_OUT = "tagged-out", 409, "The clamp is tagged out",
        "A lock-out bars the clamp; reasons names each. It stays barred until it is repaired, re-inspected and returned to service.";
    NOT_FIT = "not-fit", 409, "The clamp is not fit",
        "The clamp may not be used now; reasons names every reason and what is due.";
    RELEASE_NOT_SUPPORTED = "release-not-supported", 409, "The return to service is not supported",
        "At least one lock-out is not named or its ground is not supported by the cited entries; unmet names every condition. Nothing was recorded and the clamp stays tagged out.";
    STATE_CONFLICT = "state-conflict", 409, "The clamp's state does not allow this",
        "The entry contradicts what is recorded of the clamp; refusals names each contradiction. Nothing was recorded.";
    CLAMP_RETIRED = "clamp-retired", 409, "The clamp is retired",
        "A retired clamp takes no further entries but an amendment by two persons that undoes the retirement.";

    // Load and trouble.
    TOO_MANY_REQUESTS = "too-many-requests", 429, "Too many requests at once",
        "The service is asked more often than it may answer: by you (RateLimit and RateLimit-Policy say what is left and what is allowed), or by all who sign in. Wait for the time in Retry-After and try again.";
    OVERLOADED = "overloaded", 503, "Too much is under way at once",
        "The service refuses some requests so that it can go on answering others: exports first, then lists and reports, then writes; fitness questions, lift checks and tag-outs keep room of their own. class names what was refused; nothing of this request was recorded. Wait for the time in Retry-After and try again, each time a little longer.";
    TOOK_TOO_LONG = "took-too-long", 503, "The request took too long",
        "It was given up after the time request_seconds of /v1/limits. Whether anything was recorded is not known: send entries and lift checks again with the same id, which records them once at most; of anything else, read first what is there. Wait for the time in Retry-After.";
    INTERNAL_ERROR = "internal-error", 500, "The service failed",
        "Something went wrong inside. It is logged under the request id in instance; nothing of this request was recorded. Tell the people who run the service that id.";
    UNAVAILABLE = "unavailable", 503, "The service cannot answer now",
        "The database cannot be reached, or too much is waiting for it. Nothing of this request was recorded, unless the detail says otherwise; entries can be sent again with the same id. Wait for the time in Retry-After.";
}
