//! Close looks: one frame and the stack on the same places, with a divider between them.

use super::pictures::{Picture, Pictures, Spot, SpotKind};
use crate::frame::file_name;
use crate::report::Report;
use maud::{Markup, html};
use std::path::Path;

use super::text::Foreign;

pub(super) fn section(report: &Report, pictures: &Pictures) -> Markup {
    if pictures.spots.is_empty() {
        return html! {};
    }
    let reference = Path::new(&report.run.reference);
    let reference = reference.file_name().map(|name| file_name(Path::new(name)));
    html! {
        section aria-labelledby="looks" {
            h2 #looks { "One frame, and the stack" }
            p {
                "Left of the divider is a single frame"
                @if let Some(name) = &reference { " (" span.file { (Foreign(name)) } ")" }
                ", calibrated and demosaiced as for the stack; right of it the stack. "
                "Both are drawn by one curve, which is made for the frame, so that what looks \
                 less noisy is."
            }
            (instructions())
            (zoom())
            div.spots {
                @for (i, spot) in pictures.spots.iter().enumerate() { (of(i, spot)) }
            }
        }
    }
}

fn of(i: usize, spot: &Spot) -> Markup {
    let title = spot.kind.title();
    let views = [
        View {
            picture: &spot.frame,
            label: "One frame",
            class: "before",
        },
        View {
            picture: &spot.stack,
            label: "Stack",
            class: "after",
        },
    ];
    html! {
        section.spot aria-labelledby={ "spot-" (i) } {
            h3 id={ "spot-" (i) } { (title) }
            p { (spot.kind.why()) }
            (pair(spot.kind, &views, "How much of the single frame is shown"))
        }
    }
}

/// What can be done with the pairs; there is nothing to be done without the script.
pub(super) fn instructions() -> Markup {
    html! {
        p.needs-script {
            "Drag the divider, or move to it by Tab and use the arrow keys, Page Up and Page \
             Down, Home and End. Enlarged, a picture is moved by dragging or scrolling it, or by \
             the arrow keys once it has the focus. At 100 % a pixel of the stack is a point of \
             the screen."
        }
    }
}

/// The buttons that enlarge all pairs of a page together.
pub(super) fn zoom() -> Markup {
    html! {
        fieldset.choice.zoom.needs-script {
            legend { "Enlarge all" }
            @for percent in [100, 200, 300] {
                input type="radio" name="zoom" id={ "zoom-" (percent) } value=(percent)
                    checked[percent == 100];
                label for={ "zoom-" (percent) } { (percent) " %" }
            }
        }
    }
}

/// One of the pictures that a pair can show.
pub(super) struct View<'a> {
    pub picture: &'a Picture,
    pub label: &'a str,
    /// `before` or `after` where it is seen first; empty where it is not.
    pub class: &'static str,
}

/// Pictures of one place over each other, of which the script shows two.
pub(super) fn pair(kind: SpotKind, views: &[View], divider: &str) -> Markup {
    let title = kind.title();
    html! {
        div.pair {
            div.view tabindex="0" role="group" aria-label={ (title) ", both pictures" } {
                div.stage {
                    @for view in views {
                        figure class=[Some(view.class).filter(|class| !class.is_empty())] {
                            img src=(view.picture.data()) width=(view.picture.width)
                                height=(view.picture.height)
                                alt={ (title) ": " (Foreign(view.label)) };
                            figcaption { (Foreign(view.label)) }
                        }
                    }
                }
            }
            div.divider tabindex="0" role="slider" aria-label=(divider) aria-valuemin="0"
                aria-valuemax="100" aria-valuenow="50" aria-valuetext="50 %" {}
        }
    }
}
