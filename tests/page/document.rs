//! A page taken apart: its elements with their attributes and its text. Stricter than a browser,
//! since only well-formed XML passes.

use quick_xml::events::{BytesStart, Event};
use quick_xml::{Reader, XmlVersion};

pub struct Element {
    pub name: String,
    pub attributes: Vec<(String, String)>,
    /// Names of the elements around it, the outermost first.
    pub around: Vec<String>,
    /// All text in it.
    pub text: String,
}

impl Element {
    pub fn get(&self, name: &str) -> Option<&str> {
        let found = self.attributes.iter().find(|(key, _)| key == name);
        found.map(|(_, value)| &**value)
    }

    pub fn has_class(&self, class: &str) -> bool {
        self.get("class")
            .is_some_and(|all| all.split(' ').any(|one| one == class))
    }
}

pub struct Document {
    pub elements: Vec<Element>,
}

impl Document {
    pub fn read(page: &str) -> Self {
        let mut reader = Reader::from_str(page);
        reader.config_mut().check_end_names = true;
        let mut elements: Vec<Element> = Vec::new();
        let mut open: Vec<usize> = Vec::new();
        loop {
            let position = reader.buffer_position() as usize;
            match reader.read_event() {
                Ok(Event::Start(start)) => {
                    let element = element(&start, &open, &elements);
                    open.push(elements.len());
                    elements.push(element);
                }
                Ok(Event::Empty(start)) => {
                    let element = element(&start, &open, &elements);
                    elements.push(element);
                }
                Ok(Event::End(_)) => {
                    open.pop();
                }
                Ok(Event::Text(text)) => {
                    let text = text.html_content();
                    open.iter()
                        .for_each(|&at| elements[at].text.push_str(&text));
                }
                Ok(Event::GeneralRef(name)) => {
                    let letter = name.resolve_char_ref().unwrap();
                    let letter = letter.expect("a character by number").to_string();
                    open.iter()
                        .for_each(|&at| elements[at].text.push_str(&letter));
                }
                Ok(Event::Eof) => break,
                Ok(Event::DocType(_)) => {}
                Ok(other) => panic!("{other:?} has no place in a page"),
                Err(error) => {
                    let near: String = page[position..].chars().take(200).collect();
                    panic!("{error} before {near}");
                }
            }
        }
        assert!(open.is_empty(), "unclosed elements");
        Self { elements }
    }

    pub fn named<'a>(&'a self, name: &'a str) -> impl Iterator<Item = &'a Element> {
        self.elements
            .iter()
            .filter(move |element| element.name == name)
    }

    pub fn with_id(&self, id: &str) -> Option<&Element> {
        self.elements
            .iter()
            .find(|element| element.get("id") == Some(id))
    }

    pub fn ids(&self) -> Vec<&str> {
        self.elements
            .iter()
            .filter_map(|element| element.get("id"))
            .collect()
    }
}

fn element(start: &BytesStart<'_>, open: &[usize], elements: &[Element]) -> Element {
    let attributes = start.attributes().map(|attribute| {
        let attribute = attribute.expect("well-formed attributes, each once");
        let value = attribute
            .normalized_value(XmlVersion::Explicit1_0)
            .unwrap()
            .into_owned();
        (attribute.key.as_ref().to_owned(), value)
    });
    Element {
        name: start.name().as_ref().to_owned(),
        attributes: attributes.collect(),
        around: open.iter().map(|&at| elements[at].name.clone()).collect(),
        text: String::new(),
    }
}
