//! A request's place under load, within reach of its handler: one that waits gives it back meanwhile.

use crate::reply::Failure;
use crate::shedding::{Class, Place, Shedder};
use actix_web::{HttpMessage, HttpRequest};
use std::cell::Cell;
use std::rc::Rc;
use std::sync::Arc;
use uuid::Uuid;

/// A request's place, if it has one.
pub(crate) struct Parked {
    shedder: Arc<Shedder>,
    class: Option<Class>,
    place: Cell<Option<Place>>,
}

impl Parked {
    /// With the place that the request took.
    pub(super) fn of(shedder: &Arc<Shedder>, place: Option<Place>) -> Rc<Self> {
        Rc::new(Self {
            shedder: Arc::clone(shedder),
            class: place.as_ref().map(Place::class),
            place: Cell::new(place),
        })
    }
    /// That of a request.
    pub fn in_request(request: &HttpRequest) -> Option<Rc<Self>> {
        request.extensions().get::<Rc<Self>>().cloned()
    }
    /// The place, for as long as the answer is sent.
    pub(super) fn take(&self) -> Option<Place> {
        self.place.take()
    }
    /// Says whose request it is, and whether they may have one more of its kind; if not, they have no place.
    pub fn claim(&self, account: Uuid) -> Result<(), Failure> {
        let Some(mut place) = self.place.take() else {
            return Ok(());
        };
        if !place.claim(account) {
            return Err(super::problems::own_exports());
        }
        self.place.set(Some(place));
        Ok(())
    }
    /// Gives the place back: whoever waits takes nobody's.
    pub fn leave(&self) {
        drop(self.place.take());
    }
    /// Takes one again.
    pub fn come_back(&self) -> Result<(), Failure> {
        let Some(class) = self.class else { return Ok(()) };
        match self.shedder.enter(class) {
            Some(place) => {
                self.place.set(Some(place));
                Ok(())
            }
            None => Err(super::problems::overloaded(class)),
        }
    }
}
