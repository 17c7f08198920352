//! What every target about Modbus needs.

use setward_protocol::Table;

pub(crate) const TABLES: [Table; 4] = [Table::Holding, Table::Input, Table::Coil, Table::Discrete];

/// The standard's code for reading a table.
pub(crate) const fn function_of(table: Table) -> u8 {
    match table {
        Table::Coil => 1,
        Table::Discrete => 2,
        Table::Holding => 3,
        Table::Input => 4,
    }
}
