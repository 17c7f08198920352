//! `setward completions SHELL`: what a shell needs to complete this command's words.

use super::{Arguments, Exit, print};
use clap::CommandFactory as _;
use clap_complete::Shell;

#[derive(Debug, clap::Args)]
#[command(after_help = EXAMPLES)]
pub(super) struct CompletionsArguments {
    /// The shell
    #[arg(value_name = "SHELL")]
    shell: Shell,
}

const EXAMPLES: &str = "\
Examples:
  setward completions bash > ~/.local/share/bash-completion/completions/setward
  setward completions zsh > ~/.zfunc/_setward
  setward completions fish > ~/.config/fish/completions/setward.fish";

/// Prints them.
pub(super) fn completions(arguments: &CompletionsArguments) -> Exit {
    let mut text = Vec::new();
    clap_complete::generate(arguments.shell, &mut Arguments::command(), "setward", &mut text);
    print(&text)
}
