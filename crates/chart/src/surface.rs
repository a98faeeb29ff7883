//! What a picture is drawn on: a screen of any width, or paper.

/// Measures of a picture, in pixels or points.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Surface {
    /// The plot's width; `None` where it is as wide as there is room, and places are shares of it.
    wide: Option<f64>,
    /// Heights of the lanes, by kind.
    pub line: f64,
    pub bars: f64,
    pub marks: f64,
    pub dots: f64,
    /// Below the lanes.
    pub axis: f64,
    /// Above them, with flags and without.
    pub flags: f64,
    pub free: f64,
    /// A letter's height, and by how much a text stands below the middle.
    pub letter: f64,
    pub half_letter: f64,
    /// From the lanes' end to the foot of the axis' texts.
    pub tick_text: f64,
    /// Free above and below a bar.
    pub inset: f64,
    /// Half of a mark's width.
    pub mark: f64,
    /// Where a lane's figures stand, and how they are set there: on the plot, or left of it.
    pub figures: (f64, &'static str),
    /// Letters of a lane's name.
    names: usize,
}

impl Surface {
    /// A page.
    pub const SCREEN: Surface = Surface {
        wide: None,
        line: 88.0,
        bars: 24.0,
        marks: 30.0,
        dots: 240.0,
        axis: 26.0,
        flags: 26.0,
        free: 4.0,
        letter: 11.0,
        half_letter: 4.0,
        tick_text: 19.0,
        inset: 4.0,
        mark: 6.0,
        figures: (3.0, "start"),
        names: usize::MAX,
    };

    /// A sheet of paper, the plot so many points wide.
    pub fn paper(wide: f64) -> Surface {
        Surface {
            wide: Some(wide),
            line: 42.0,
            bars: 11.0,
            marks: 14.0,
            dots: 110.0,
            axis: 15.0,
            flags: 16.0,
            free: 2.0,
            letter: 7.0,
            half_letter: 2.6,
            tick_text: 11.0,
            inset: 2.5,
            mark: 4.0,
            figures: (-2.0, "end"),
            names: 26,
        }
    }

    /// The place of a share of the width.
    pub fn at(self, share: f64) -> String {
        match self.wide {
            Some(wide) => format!("{}", (share * wide * 10.0).round() / 10.0),
            None => format!("{}%", (share * 1e5).round() / 1e3),
        }
    }

    /// A line is drawn so many of its own units wide, whatever it is on the screen.
    pub fn units(self) -> f64 {
        self.wide.unwrap_or(1000.0)
    }

    /// A name as long as there is room for.
    pub fn shortened(self, name: &str) -> String {
        match name.chars().count() {
            long if long > self.names => {
                name.chars().take(self.names.saturating_sub(1)).chain(['…']).collect()
            }
            _ => name.to_owned(),
        }
    }
}

/// Looks on paper. Colours that differ for the colour-blind too, and in grey (Okabe and Ito, 2008: blue, vermillion, green,
/// purple, black).
pub const PAPER: &str = "\
text{fill:#000}\
.band{fill:#ececec}.found{fill:#f0e442;fill-opacity:.5}.gap{fill:#fff}\
.hatch-ground{fill:#fff}.hatch-line{fill:#bbb}\
.tick,.rule{stroke:#bbb;stroke-width:.3}.grid{stroke:#ddd;stroke-width:.3}.tick-text{font-size:7px}.inside{fill:#444;font-size:6.5px}\
.line{fill:none;stroke-width:.8;stroke-linejoin:round}\
.c0{stroke:#0072b2}.c1{stroke:#d55e00}.c2{stroke:#009e73}.c3{stroke:#cc79a7}.c4{stroke:#000}\
.bar{stroke:none;fill:#444}.c6{stroke:none;fill:#d4d4d4}.bar-text{font-size:7px}\
.limit-line{stroke:#000;stroke-width:.6;stroke-dasharray:4 2}\
.flag-line{stroke:#000;stroke-width:.8;stroke-dasharray:2 1.4}.mark{fill:#000}.touch{fill:none}";
