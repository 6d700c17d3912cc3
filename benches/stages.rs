//! Criterion benches of every stage of the pipeline, and of the whole, on a drawn picture of 1.5 Mpx.
//!
//! `cargo bench --bench stages -- [NAME]`

use std::hint::black_box;

use ceramograph::measure::grain::grains;
use ceramograph::measure::intercept::intercepts;
use ceramograph::measure::pore::pores;
use ceramograph::measure::region::regions;
use ceramograph::micrograph::{Grey, Micrograph, check, info_strip};
use ceramograph::options::{BoundaryMethod, Options, PoreMethod};
use ceramograph::phantom::{PhantomSpec, draw};
use ceramograph::pipeline::measure;
use ceramograph::scale::{ScaleOptions, determine};
use ceramograph::segment;
use ceramograph::segment::learned;
use ceramograph::statistics::covariance::area_fraction_error;
use ceramograph::timing::Stage;
use ceramograph::units::Spacing;
use criterion::{Criterion, Throughput, criterion_group, criterion_main};

const WIDTH_PX: usize = 1440;
const HEIGHT_PX: usize = 1080;

fn picture() -> Micrograph {
    let spec =
        PhantomSpec { width_px: WIDTH_PX, height_px: HEIGHT_PX, strip: None, ..PhantomSpec::default() };
    let phantom = draw(&spec).expect("invariant: the specification is sound");
    Micrograph { grey: phantom.grey, claims: Vec::new(), warnings: Vec::new() }
}

fn classical() -> Options {
    Options { pores: PoreMethod::HalfContrast, boundaries: BoundaryMethod::Ridge, ..Options::default() }
}

fn stages(criterion: &mut Criterion) {
    let (micrograph, options, spacing) = (picture(), classical(), Spacing::PIXELS);
    let grey: &Grey = &micrograph.grey;
    let pore_map = segment::pores::find(grey, &options.pore_options()).expect("invariant: the rule is sound");
    let find_grains = || segment::grains::find(&pore_map.picture, &pore_map.labels, &options.grain_options());
    let grain_map = find_grains();
    let mask = pore_map.labels.grid.map(|label| label > 0);

    let mut group = criterion.benchmark_group("stage");
    group.throughput(Throughput::Elements((WIDTH_PX * HEIGHT_PX) as u64)).sample_size(10);
    let mut bench = |stage: Stage, work: &dyn Fn()| {
        group.bench_function(stage.name(), |bencher| bencher.iter(work));
    };
    let strip = info_strip::find(grey);
    bench(Stage::Strip, &|| {
        black_box(info_strip::find(grey));
    });
    bench(Stage::Scale, &|| drop(black_box(determine(&micrograph, strip, &ScaleOptions::default()))));
    bench(Stage::Check, &|| drop(black_box(check::check(grey))));
    bench(Stage::Network, &|| drop(black_box(learned::maps(grey, 1.0))));
    bench(Stage::Pores, &|| drop(black_box(segment::pores::find(grey, &options.pore_options()))));
    bench(Stage::Grains, &|| drop(black_box(find_grains())));
    bench(Stage::PoreMeasures, &|| {
        let regions = regions(&pore_map.labels, spacing);
        drop(black_box(pores(&pore_map.labels, regions, Some(&grain_map.labels), &pore_map.picture)));
    });
    bench(Stage::GrainMeasures, &|| {
        drop(black_box(grains(&grain_map, regions(&grain_map.labels, spacing))));
    });
    bench(Stage::Intercepts, &|| {
        drop(black_box(intercepts(&grain_map.labels, spacing, &options.line_options())));
    });
    bench(Stage::AreaFractionError, &|| {
        black_box(area_fraction_error(&mask));
    });
    group.finish();
}

fn whole(criterion: &mut Criterion) {
    let micrograph = picture();
    let mut group = criterion.benchmark_group("whole");
    group.throughput(Throughput::Elements((WIDTH_PX * HEIGHT_PX) as u64)).sample_size(10);
    for (name, options) in [("ridge, half-contrast", classical()), ("default", Options::default())] {
        group.bench_function(name, |bencher| bencher.iter(|| black_box(measure(&micrograph, &options))));
    }
    group.finish();
}

criterion_group!(benches, stages, whole);
criterion_main!(benches);
