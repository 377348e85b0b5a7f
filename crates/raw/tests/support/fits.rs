//! Minimal FITS files: cards as text, data as bytes.

/// A FITS file of the given cards (`KEYWORD = value`, without SIMPLE and END) and data.
pub fn fits(cards: &[String], data: &[u8]) -> Vec<u8> {
    let mut bytes = Vec::new();
    let all = ["SIMPLE  =                    T".to_owned()];
    for card in all.iter().chain(cards).chain(&["END".to_owned()]) {
        bytes.extend(format!("{card:<80}").bytes());
    }
    bytes.resize(bytes.len().next_multiple_of(2880), b' ');
    bytes.extend(data);
    bytes.resize(bytes.len().next_multiple_of(2880), 0);
    bytes
}

/// A card with a value as FITS writes it: numbers bare, texts in quotes.
pub fn card(keyword: &str, value: &str) -> String {
    format!("{keyword:<8}= {value:>20}")
}

/// The cards that every picture has.
pub fn picture(bitpix: i32, width: usize, height: usize) -> Vec<String> {
    vec![
        card("BITPIX", &bitpix.to_string()),
        card("NAXIS", "2"),
        card("NAXIS1", &width.to_string()),
        card("NAXIS2", &height.to_string()),
    ]
}

/// A mosaic as unsigned 16-bit numbers, with more cards.
pub fn unsigned_16(width: usize, samples: &[u16], more: &[String]) -> Vec<u8> {
    let mut cards = picture(16, width, samples.len() / width);
    cards.push(card("BZERO", "32768"));
    cards.push(card("BSCALE", "1"));
    cards.extend(more.iter().cloned());
    let stored = samples.iter().flat_map(|v| (v ^ 0x8000).to_be_bytes());
    fits(&cards, &stored.collect::<Vec<_>>())
}
