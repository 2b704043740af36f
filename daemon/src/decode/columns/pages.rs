//! What the pages of a file say of themselves, looked at before anything is decoded.
//!
//! The library makes room for as much as a page claims to hold, so that a damaged file of 1 kB can ask for any amount of memory.
//! Here each page's head is read first: what it claims must lie in the file, and be no more than its bytes can hold. Sources: the
//! format's `parquet.thrift` (`PageHeader`), Thrift's compact protocol, and Snappy's format, in which three bytes are at most 64.

use std::{
    fs::File,
    io::{self, BufReader, Read, Seek, SeekFrom},
};

use parquet::{
    basic::{Compression, Type as Stored},
    file::metadata::ColumnChunkMetaData,
};
use thiserror::Error;

/// How many bytes a page may hold once unpacked.
const PAGE: u64 = 32 << 20;
/// How many different values a column's dictionary may hold.
const DICTIONARY: u64 = 1 << 20;

/// Why the pages of a column are not decoded.
#[derive(Debug, Error)]
pub(super) enum Unfit {
    #[error("has pages whose heads make no sense")]
    Damaged,
    #[error("would lie outside of the file")]
    Outside,
    #[error("claims a page of {claimed} bytes in {packed}; allowed: at most {allowed}")]
    Page { claimed: u64, packed: u64, allowed: u64 },
    #[error("claims {claimed} different values in a page of {bytes} bytes; allowed: at most {allowed}")]
    Dictionary { claimed: u64, bytes: u64, allowed: u64 },
    #[error("is stored as differences of texts; allowed: plain, or by a dictionary")]
    Differences,
}

impl From<io::Error> for Unfit {
    /// A file that ends within a head, or cannot be read there.
    fn from(_: io::Error) -> Self {
        Self::Damaged
    }
}

/// Looks at all pages of a column.
///
/// # Errors
/// One of them claims what cannot be, or more than is allowed.
pub(super) fn look_at(file: &File, column: &ColumnChunkMetaData) -> Result<(), Unfit> {
    let start = column
        .dictionary_page_offset()
        .unwrap_or_else(|| column.data_page_offset());
    let (Ok(mut at), Ok(length)) = (u64::try_from(start), u64::try_from(column.compressed_size())) else {
        return Err(Unfit::Outside);
    };
    let end = at.checked_add(length).ok_or(Unfit::Outside)?;
    if end > file.metadata()?.len() {
        return Err(Unfit::Outside);
    }
    let mut from = BufReader::new(file.try_clone()?);
    from.seek(SeekFrom::Start(at))?;
    while at < end {
        let mut heads = Heads {
            from: (&mut from).take(end - at),
        };
        let head = heads.head()?;
        let left = heads.from.limit();
        let packed = head.number(Of::Page, 3)?;
        let packed = packed.filter(|packed| *packed <= left).ok_or(Unfit::Damaged)?;
        fits(&head, packed, column)?;
        at = end - left + packed;
        from.seek_relative(i64::try_from(packed).map_err(|_| Unfit::Damaged)?)?;
    }
    Ok(())
}

/// Whether a page may be decoded.
fn fits(head: &Head, packed: u64, column: &ColumnChunkMetaData) -> Result<(), Unfit> {
    let unpacked = head.number(Of::Page, 2)?.ok_or(Unfit::Damaged)?;
    let (bytes, allowed) = match column.compression() {
        // Other programs count here what they like.
        Compression::UNCOMPRESSED => (packed, PAGE),
        _ => (unpacked.max(packed), PAGE.min(packed.saturating_mul(64) / 3)),
    };
    if bytes > allowed {
        return Err(Unfit::Page {
            claimed: bytes,
            packed,
            allowed,
        });
    }
    let least = match column.column_type() {
        Stored::INT64 | Stored::DOUBLE => 8,
        // A text begins with its length.
        _ => 4,
    };
    let allowed = DICTIONARY.min(bytes / least);
    if let Some(claimed) = head.number(Of::Dictionary, 1)?
        && claimed > allowed
    {
        return Err(Unfit::Dictionary {
            claimed,
            bytes,
            allowed,
        });
    }
    // The library makes room for as many texts as the page's content claims, which no head tells.
    let encoding = head.number(Of::Data, 2)?.max(head.number(Of::SecondData, 4)?);
    match encoding {
        Some(6 | 7) => Err(Unfit::Differences),
        _ => Ok(()),
    }
}

/// Structures of the format, as far as they matter.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Of {
    Page,
    Data,
    SecondData,
    Dictionary,
    Statistics,
    /// One that is passed by.
    Other,
}

/// Kinds of values in the compact protocol.
mod kind {
    pub(super) const TRUE: u8 = 1;
    pub(super) const FALSE: u8 = 2;
    pub(super) const BYTE: u8 = 3;
    pub(super) const SHORT: u8 = 4;
    pub(super) const INT: u8 = 5;
    pub(super) const LONG: u8 = 6;
    pub(super) const DOUBLE: u8 = 7;
    pub(super) const BYTES: u8 = 8;
    pub(super) const LIST: u8 = 9;
    pub(super) const SET: u8 = 10;
    pub(super) const STRUCT: u8 = 12;
}

impl Of {
    /// The kind that a field has, where the library reads it without looking.
    fn kind(self, field: i64) -> Option<u8> {
        match (self, field) {
            (Self::Page, 1..=4)
            | (Self::Data, 1..=4)
            | (Self::Dictionary, 1..=2)
            | (Self::SecondData, 1..=6) => Some(kind::INT),
            (Self::Page, 5..=8) | (Self::Data, 5) | (Self::SecondData, 8) => Some(kind::STRUCT),
            (Self::Statistics, 1 | 2 | 5 | 6) => Some(kind::BYTES),
            (Self::Statistics, 3 | 4) => Some(kind::LONG),
            (Self::Dictionary, 3) | (Self::SecondData, 7) | (Self::Statistics, 7 | 8) => Some(kind::TRUE),
            _ => None,
        }
    }

    /// The structure in a field.
    fn inner(self, field: i64) -> Self {
        match (self, field) {
            (Self::Page, 5) => Self::Data,
            (Self::Page, 7) => Self::Dictionary,
            (Self::Page, 8) => Self::SecondData,
            (Self::Data, 5) | (Self::SecondData, 8) => Self::Statistics,
            _ => Self::Other,
        }
    }
}

/// The whole numbers of a page's head.
#[derive(Debug, Default)]
struct Head(Vec<(Of, i64, i64)>);

impl Head {
    /// A number that counts something, the largest where a damaged head has it twice.
    fn number(&self, of: Of, field: i64) -> Result<Option<u64>, Unfit> {
        let found = self.0.iter().filter(|known| (known.0, known.1) == (of, field));
        let counts: Result<Vec<u64>, _> = found.map(|(.., number)| u64::try_from(*number)).collect();
        counts
            .map(|counts| counts.into_iter().max())
            .map_err(|_below| Unfit::Damaged)
    }
}

/// Heads as they stand in the file; no more is read than the column has left.
struct Heads<R> {
    from: io::Take<R>,
}

impl<R: Read> Heads<R> {
    fn head(&mut self) -> Result<Head, Unfit> {
        let mut head = Head::default();
        self.fields(Of::Page, 0, &mut head)?;
        Ok(head)
    }

    fn fields(&mut self, of: Of, depth: usize, head: &mut Head) -> Result<(), Unfit> {
        if depth > 8 {
            return Err(Unfit::Damaged);
        }
        let mut field = 0_i64;
        loop {
            let first = self.byte()?;
            if first == 0 {
                return Ok(());
            }
            field = match i64::from(first >> 4) {
                0 => self.signed()?,
                step => field + step,
            };
            let kind = first & 0x0f;
            let told = if kind == kind::FALSE { kind::TRUE } else { kind };
            if of.kind(field).is_some_and(|right| right != told) || i16::try_from(field).is_err() {
                return Err(Unfit::Damaged);
            }
            match kind {
                kind::SHORT | kind::INT | kind::LONG => {
                    let number = self.signed()?;
                    head.0.push((of, field, number));
                }
                kind::STRUCT => self.fields(of.inner(field), depth + 1, head)?,
                // In a field its kind is the value.
                kind::TRUE | kind::FALSE => {}
                other => self.pass(other, depth)?,
            }
        }
    }

    /// Reads over a value.
    fn pass(&mut self, kind: u8, depth: usize) -> Result<(), Unfit> {
        match kind {
            kind::TRUE | kind::FALSE | kind::BYTE => self.byte().map(|_| ()),
            kind::SHORT | kind::INT | kind::LONG => self.signed().map(|_| ()),
            kind::DOUBLE => self.skip(8),
            kind::BYTES => {
                let length = self.unsigned()?;
                self.skip(length)
            }
            kind::LIST | kind::SET => {
                let first = self.byte()?;
                let count = match u64::from(first >> 4) {
                    15 => self.unsigned()?,
                    few => few,
                };
                if count > self.from.limit() {
                    return Err(Unfit::Damaged);
                }
                (0..count).try_for_each(|_| self.pass(first & 0x0f, depth + 1))
            }
            kind::STRUCT => self.fields(Of::Other, depth + 1, &mut Head::default()),
            // No head holds a map.
            _ => Err(Unfit::Damaged),
        }
    }

    fn byte(&mut self) -> Result<u8, Unfit> {
        let mut byte = [0];
        self.from.read_exact(&mut byte)?;
        Ok(byte[0])
    }

    fn skip(&mut self, count: u64) -> Result<(), Unfit> {
        let passed = io::copy(&mut (&mut self.from).take(count), &mut io::sink())?;
        if passed == count {
            Ok(())
        } else {
            Err(Unfit::Damaged)
        }
    }

    /// Seven bits a byte, the lowest first.
    fn unsigned(&mut self) -> Result<u64, Unfit> {
        let mut number = 0;
        for shift in (0..64).step_by(7) {
            let byte = self.byte()?;
            number |= u64::from(byte & 0x7f) << shift;
            if byte & 0x80 == 0 {
                return Ok(number);
            }
        }
        Err(Unfit::Damaged)
    }

    /// Small numbers of either sign are small (zigzag).
    fn signed(&mut self) -> Result<i64, Unfit> {
        let number = self.unsigned()?;
        Ok((number >> 1).cast_signed() ^ -(number & 1).cast_signed())
    }
}

#[cfg(test)]
mod tests {
    use std::{io::Write, sync::Arc};

    use fobwatch_core::{
        quantity::Unit,
        reading::{Measured, Quantity, Reading, Source},
    };
    use parquet::{
        basic::Type as Stored,
        file::{
            metadata::{ColumnChunkMetaData, RowGroupMetaData},
            reader::{FileReader, SerializedFileReader},
        },
        schema::{parser::parse_message_type, types::SchemaDescriptor},
    };

    use super::{
        super::{Columns, write::SCHEMA},
        *,
    };

    /// Every page of what this program writes, over several groups and dictionaries.
    #[test]
    fn pages_of_sound_files_are_fit() {
        let out = tempfile::tempfile().unwrap();
        let mut columns = Columns::new(out.try_clone().unwrap()).unwrap();
        for number in 0_u16..60_000 {
            let reading = Reading {
                at: jiff::Timestamp::from_second(1_772_434_800 + i64::from(number)).unwrap(),
                source: Source::new(&format!("vessel {}", number % 900)).unwrap(),
                measured: Measured::new(Quantity::Pressure, f64::from(number) / 6e4, Unit::Bar).unwrap(),
            };
            columns.take(&reading).unwrap();
        }
        columns.end().unwrap();
        let file = SerializedFileReader::new(out.try_clone().unwrap()).unwrap();
        let mut looked_at = 0;
        for column in file
            .metadata()
            .row_groups()
            .iter()
            .flat_map(RowGroupMetaData::columns)
        {
            look_at(&out, column).unwrap();
            looked_at += 1;
        }
        assert_eq!(looked_at, 5);
    }

    /// A column of texts that is `bytes` from the fourth one of its file on.
    fn column(kind: Compression, length: i64) -> ColumnChunkMetaData {
        let schema = SchemaDescriptor::new(Arc::new(parse_message_type(SCHEMA).unwrap()));
        let column = ColumnChunkMetaData::builder(schema.column(1))
            .set_compression(kind)
            .set_data_page_offset(4)
            .set_total_compressed_size(length)
            .build()
            .unwrap();
        assert_eq!(column.column_type(), Stored::BYTE_ARRAY);
        column
    }

    fn told(kind: Compression, bytes: &[u8], length: i64) -> String {
        let mut file = tempfile::tempfile().unwrap();
        file.write_all(b"PAR1").unwrap();
        file.write_all(bytes).unwrap();
        look_at(&file, &column(kind, length)).map_or_else(|unfit| unfit.to_string(), |()| "fit".to_owned())
    }

    fn zigzag(number: i32) -> Vec<u8> {
        let mut left = (number << 1).cast_unsigned() ^ (number >> 31).cast_unsigned();
        let mut bytes = Vec::new();
        while left > 0x7f {
            bytes.push(left.to_le_bytes()[0] | 0x80);
            left >>= 7;
        }
        bytes.push(left.to_le_bytes()[0]);
        bytes
    }

    /// A head: kind of page, bytes unpacked and packed, and further fields; then as many bytes as are packed.
    fn page(kind: i32, unpacked: i32, packed: i32, further: &[u8]) -> Vec<u8> {
        let mut bytes = Vec::new();
        for number in [kind, unpacked, packed] {
            bytes.push(0x15);
            bytes.extend(zigzag(number));
        }
        bytes.extend(further);
        bytes.push(0);
        bytes.extend(std::iter::repeat_n(7, usize::try_from(packed.max(0)).unwrap()));
        bytes
    }

    fn whole(kind: Compression, bytes: &[u8]) -> String {
        told(kind, bytes, i64::try_from(bytes.len()).unwrap())
    }

    #[test]
    fn a_page_claims_no_more_than_its_bytes_can_hold() {
        let page = |unpacked, packed| page(0, unpacked, packed, &[]);
        let snappy = |bytes: &[u8]| whole(Compression::SNAPPY, bytes);
        assert_eq!(snappy(&page(640, 30)), "fit");
        assert_eq!(
            snappy(&page(641, 30)),
            "claims a page of 641 bytes in 30; allowed: at most 640"
        );
        assert_eq!(snappy(&page(0, 0)), "fit");
        // What an uncompressed page claims to be unpacked is not believed by anybody.
        assert_eq!(whole(Compression::UNCOMPRESSED, &page(i32::MAX, 30)), "fit");
        // The second one too.
        let two = [page(64, 3), page(65, 3)].concat();
        assert_eq!(
            snappy(&two),
            "claims a page of 65 bytes in 3; allowed: at most 64"
        );
        let large = page(40 << 20, 2 << 20);
        assert_eq!(
            snappy(&large),
            "claims a page of 41943040 bytes in 2097152; allowed: at most 33554432"
        );
    }

    #[test]
    fn a_dictionary_claims_no_more_than_its_page_can_hold() {
        // Field 7, a structure; in it field 1, how many values there are.
        let dictionary = |values| {
            let further = [&[0x4c, 0x15][..], &zigzag(values), &[0]].concat();
            whole(Compression::UNCOMPRESSED, &page(2, 80, 80, &further))
        };
        assert_eq!(dictionary(20), "fit");
        assert_eq!(
            dictionary(21),
            "claims 21 different values in a page of 80 bytes; allowed: at most 20"
        );
        assert_eq!(dictionary(-1), "has pages whose heads make no sense");
    }

    #[test]
    fn heads_that_make_no_sense_are_no_heads() {
        let uncompressed = |bytes: &[u8]| whole(Compression::UNCOMPRESSED, bytes);
        let nonsense = "has pages whose heads make no sense";
        let sound = page(0, 9, 9, &[]);
        assert_eq!(uncompressed(&sound), "fit");
        let length = i64::try_from(sound.len()).unwrap();
        // The column ends within its page, or lies outside of the file.
        assert_eq!(told(Compression::UNCOMPRESSED, &sound, length - 1), nonsense);
        let outside = "would lie outside of the file";
        assert_eq!(told(Compression::UNCOMPRESSED, &sound, length + 1), outside);
        assert_eq!(told(Compression::UNCOMPRESSED, &sound, -1), outside);
        assert_eq!(told(Compression::UNCOMPRESSED, &sound, i64::MAX), outside);
        assert_eq!(uncompressed(&page(0, -1, 9, &[])), nonsense);
        assert_eq!(uncompressed(&page(0, 9, -9, &[])), nonsense);
        assert_eq!(uncompressed(&[0x15, 0xff]), nonsense);
        assert_eq!(uncompressed(&[0; 3]), nonsense);
        assert_eq!(uncompressed(&[0x15; 11]), nonsense);
        // The least value of a page's statistics claims more bytes than there are: in field 5, in its field 5, field 1.
        let statistics = |length: &[u8]| [&[0x2c, 0x5c, 0x18][..], length, &[0, 0]].concat();
        assert_eq!(uncompressed(&page(0, 9, 9, &statistics(&[2, b'a', b'b']))), "fit");
        let claim = statistics(&[0xff, 0xff, 0xff, 0xff, 0x7f, b'a']);
        assert_eq!(uncompressed(&page(0, 9, 9, &claim)), nonsense);
        // Structures within structures, and a list that is longer than the file.
        let deep = [&[0x2c_u8][..], &[0x1c; 40]].concat();
        assert_eq!(uncompressed(&page(0, 9, 9, &deep)), nonsense);
        assert_eq!(
            uncompressed(&page(0, 9, 9, &[0x69, 0xf1, 0xff, 0xff, 0x7f])),
            nonsense
        );
    }
}
