//! What the project promises to others: schemas, the page of findings, licences.

mod catalogue_page;
mod layers;
mod schemas;
mod supply_chain;
