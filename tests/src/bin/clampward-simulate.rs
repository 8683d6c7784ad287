//! Plays simulations; `cargo xtask simulate` builds and calls this.

use clampward_tests::program;
use clampward_tests::simulation::{order, run};
use clap::Parser;
use std::path::PathBuf;
use std::process::ExitCode;

/// Tablets, the service and its database under bad weather, out of one seed.
#[derive(Parser)]
struct Arguments {
    /// The first seed.
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// How many seeds to play, one after the other.
    #[arg(long, default_value_t = 1)]
    seeds: u64,
    /// Operations of each.
    #[arg(long, default_value_t = 2_000)]
    ops: usize,
    /// Tablets.
    #[arg(long, default_value_t = 4)]
    tablets: usize,
    /// Clamps at the beginning.
    #[arg(long, default_value_t = 40)]
    clamps: usize,
    /// Operations between two disasters, about.
    #[arg(long, default_value_t = 400)]
    calm: usize,
    /// Of ten thousand operations, how many are a tablet that synchronises: 200 is every 50 entries, 20 every shift.
    #[arg(long, default_value_t = 200)]
    syncs: usize,
    /// Instead: push so many clamp histories in order and in any order, and compare.
    #[arg(long)]
    order: Option<usize>,
    /// The service's program; built if left out.
    #[arg(long)]
    service: Option<PathBuf>,
}

fn main() -> ExitCode {
    let arguments = Arguments::parse();
    let service = arguments
        .service
        .clone()
        .unwrap_or_else(|| program::binary("clampward-api"));
    if let Some(histories) = arguments.order {
        return in_any_order(order::Options {
            seed: arguments.seed,
            histories,
            service,
        });
    }
    let mut failed = 0_u64;
    for seed in arguments.seed..arguments.seed + arguments.seeds {
        let options = run::Options {
            seed,
            operations: arguments.ops,
            service: service.clone(),
            tablets: arguments.tablets,
            clamps: arguments.clamps,
            calm: arguments.calm,
            syncs: arguments.syncs,
        };
        match run::run(&options) {
            Ok(report) => println!("{report}"),
            Err(failure) => {
                failed += 1;
                println!("FAILED {failure}");
            }
        }
    }
    if failed == 0 {
        ExitCode::SUCCESS
    } else {
        ExitCode::FAILURE
    }
}

fn in_any_order(options: order::Options) -> ExitCode {
    let runtime = match tokio::runtime::Builder::new_multi_thread().enable_all().build() {
        Ok(runtime) => runtime,
        Err(error) => {
            println!("FAILED to start: {error}");
            return ExitCode::FAILURE;
        }
    };
    match runtime.block_on(order::run(&options)) {
        Ok(report) => {
            println!("{report:?}");
            ExitCode::SUCCESS
        }
        Err(difference) => {
            println!(
                "FAILED {difference}\nplay it again: cargo xtask simulate --order {} --seed {}",
                options.histories, options.seed
            );
            ExitCode::FAILURE
        }
    }
}
