//! Families of locations by their component's name.
//!
//! Knows the products' patterns only. The invariant: the first pattern that matches wins, and a
//! pattern is tried once for each different component, not once for each row.

use std::sync::Arc;

use super::head::CellSource;
use super::names;
use crate::block::Column;
use crate::config::{Config, Product};
use crate::words::Role;

/// A family's name and its patterns of component names.
type Patterns = (Arc<str>, Vec<String>);

/// The patterns of all products.
#[derive(Clone, Debug)]
pub struct Families {
    products: Vec<(String, Vec<Patterns>)>,
    /// The product of all rows where the feed names none and there is only one.
    only: bool,
}

impl Families {
    /// The patterns, where the feed gives components and no family of its own.
    pub(super) fn of(config: &Config, roles: &[(Role, CellSource)]) -> Option<Families> {
        let has = |wanted| roles.iter().any(|(role, _)| *role == wanted);
        let only = !has(Role::Product) && config.products.len() == 1;
        let is_known = config
            .products
            .iter()
            .any(|product| !product.families.is_empty());
        if has(Role::Family) || !has(Role::Component) || !is_known {
            return None;
        }
        if !has(Role::Product) && !only {
            return None;
        }
        let patterns = |product: &Product| {
            let families = product.families.iter();
            families
                .map(|family| (family.name.as_str().into(), family.components.clone()))
                .collect()
        };
        let products = config.products.iter();
        let products = products
            .map(|product| (product.name.clone(), patterns(product)))
            .collect();
        Some(Families { products, only })
    }

    fn family(&self, product: Option<&str>, component: &str) -> Option<&Arc<str>> {
        let mut products = self.products.iter();
        let (_, families) = match product {
            Some(name) => products.find(|(known, _)| known == name)?,
            None if self.only => products.next()?,
            None => return None,
        };
        let fits = |patterns: &[String]| patterns.iter().any(|it| names::matches(it, component));
        families
            .iter()
            .find(|(_, patterns)| fits(patterns))
            .map(|(name, _)| name)
    }

    /// The family of each row by its product and component.
    pub(super) fn column(&self, product: &Column, component: &Column, rows: usize) -> Column {
        let (products, product_codes) = parts(product);
        let (components, component_codes) = parts(component);
        let mut words: Vec<Arc<str>> = vec!["".into()];
        let mut table: Vec<Vec<Option<u32>>> = vec![vec![None; components.len()]; products.len()];
        let mut codes = Vec::with_capacity(rows);
        for row in 0..rows {
            let place = |codes: Option<&[u32]>| codes.map_or(0, |codes| codes[row] as usize);
            let (product, component) = (place(product_codes), place(component_codes));
            let code = match table[product][component] {
                Some(code) => code,
                None => {
                    let name = products[product].as_deref();
                    let component_name = components[component].as_deref().unwrap_or_default();
                    let code = match self.family(name, component_name) {
                        Some(family) => intern(&mut words, family),
                        None => 0,
                    };
                    table[product][component] = Some(code);
                    code
                }
            };
            codes.push(code);
        }
        Column::PerRow { codes, words }
    }
}

fn intern(words: &mut Vec<Arc<str>>, word: &Arc<str>) -> u32 {
    let place = words
        .iter()
        .position(|known| known == word)
        .unwrap_or_else(|| {
            words.push(Arc::clone(word));
            words.len() - 1
        });
    place as u32
}

/// The words of a column and, where they differ from row to row, their codes.
fn parts(column: &Column) -> (Vec<Option<Arc<str>>>, Option<&[u32]>) {
    match column {
        Column::Absent => (vec![None], None),
        Column::Constant(word) => (vec![Some(Arc::clone(word))], None),
        Column::PerRow { codes, words } => (
            words.iter().cloned().map(Some).collect(),
            Some(codes.as_slice()),
        ),
    }
}
