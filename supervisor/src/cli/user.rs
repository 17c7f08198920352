//! `setward user`: who may do what on the page. Writes the file that site.toml names, and has a running daemon take it up.

mod in_force;

use super::{Exit, fail};
use crate::web::doors::{displays, keep, passphrase};
use clap::{Args, Subcommand, ValueEnum};
use rustix::termios::{LocalModes, OptionalActions, tcgetattr, tcsetattr};
use serde_json::json;
use setward_config::Door;
use setward_config::line::{Display, User, UserRole, Users};
use std::fs;
use std::io::{self, BufRead as _, IsTerminal as _, Write as _};
use std::path::{Path, PathBuf};

/// Longest file with a passphrase that is read, bytes.
const MOST_BYTES: u64 = 4096;

/// What the command is given.
#[derive(Debug, Args)]
#[command(after_help = USER_EXAMPLES)]
pub(crate) struct UserArguments {
    /// The line folder; its site.toml names the file of users
    #[arg(value_name = "FOLDER")]
    folder: PathBuf,
    #[command(subcommand)]
    what: What,
}

const USER_EXAMPLES: &str = "\
A passphrase has 15 characters or more. It is asked for at the terminal without showing it, or read from a file or from stdin; never
given as an argument, where others could see it. A running daemon takes changes up at once, whatever else of the folder is half
edited, and nothing else with them: who is disabled, or gets another passphrase, is signed out. If it can't, that is said, and the
command fails.

Roles: view looks; operate acknowledges, shelves, enters, notes, closes, puts on hold; engineer takes out of service, decides about
holds, signs reviews, reloads. What a person does bears the name they signed in with.

Exit codes: 0 done, 1 failure, also when the running daemon does not go by it, 2 usage, 3 site.toml or the file of users has
problems, 5 not permitted.

Examples:
  setward user plant/line-2 add \"In\u{e9}s\" --role engineer
  setward user plant/line-2 add Marek --role operate --os-user marek --passphrase-file - < first-passphrase
  setward user plant/line-2 role Marek engineer
  setward user plant/line-2 passphrase Marek
  setward user plant/line-2 disable Marek
  setward user plant/line-2 add-display \"Fryer hall\"
  setward user plant/line-2 list --json";

#[derive(Debug, Subcommand)]
enum What {
    /// Add a person
    Add {
        /// The name, as it will stand in every record
        name: String,
        /// What for
        #[arg(long, value_enum)]
        role: Role,
        /// The same person's user name at this machine's prompt
        #[arg(long, value_name = "USER")]
        os_user: Option<String>,
        #[command(flatten)]
        source: Source,
    },
    /// Give a person another role
    Role {
        /// The person's name
        name: String,
        /// What for from now on
        #[arg(value_enum)]
        role: Role,
    },
    /// Give a person another passphrase; whoever is signed in under that name is signed out
    Passphrase {
        /// The person's name
        name: String,
        #[command(flatten)]
        source: Source,
    },
    /// Let a person in no more; the name stays taken, for it stands in records
    Disable {
        /// The person's name
        name: String,
    },
    /// Let a disabled person in again
    Enable {
        /// The person's name
        name: String,
    },
    /// Make a pass for a screen on a wall, which then shows the wall page and nothing else; shown once
    AddDisplay {
        /// Where it hangs
        name: String,
    },
    /// Take a screen's pass back; it shows nothing from then on
    RemoveDisplay {
        /// Where it hangs
        name: String,
    },
    /// List who may do what, and screens on walls
    List {
        /// Print the list as JSON
        #[arg(long)]
        json: bool,
    },
}

#[derive(Debug, Args)]
struct Source {
    /// A file with the passphrase and nothing else; - for stdin
    #[arg(long, value_name = "FILE")]
    passphrase_file: Option<PathBuf>,
}

#[derive(Debug, Clone, Copy, ValueEnum)]
enum Role {
    View,
    Operate,
    Engineer,
}

impl From<Role> for UserRole {
    fn from(role: Role) -> Self {
        match role {
            Role::View => Self::View,
            Role::Operate => Self::Operate,
            Role::Engineer => Self::Engineer,
        }
    }
}

/// What was asked for, once it is in the file.
struct Change {
    /// For people, once it is so.
    told: String,
    /// How it is until a running daemon goes by it.
    until_then: String,
    /// What is shown once and never again, whether or not a daemon goes by it.
    shown_once: Option<String>,
}

impl Change {
    fn new(told: String, until_then: String) -> Self {
        Self { told, until_then, shown_once: None }
    }
}

/// Does it, and says what came of it.
pub(crate) async fn user(arguments: &UserArguments) -> Exit {
    let (door, mut users) = match read(&arguments.folder) {
        Ok(found) => found,
        Err(text) => {
            eprintln!("{text}");
            return Exit::Configuration;
        }
    };
    let before = users.clone();
    let done = match done_to(&mut users, &arguments.what) {
        Ok(Some(done)) => done,
        Ok(None) => return list(&users, matches!(arguments.what, What::List { json: true })),
        Err(why) => return super::misused(&why),
    };
    // What would be refused at the next start is not written.
    if let Err(problems) =
        setward_config::load_users(&users.file.to_string_lossy(), &setward_config::users_text(&users))
    {
        eprintln!("{}", problems.render(false));
        return Exit::Usage;
    }
    if let Err(error) = keep::change(&before, &users) {
        return fail(&error);
    }
    if let Some(text) = &done.shown_once {
        println!("{text}");
    }
    in_force::take_up(&door, &users.file, &done).await
}

/// Does to the list what is asked; `None`: it is only looked at.
fn done_to(users: &mut Users, what: &What) -> Result<Option<Change>, String> {
    let done = match what {
        What::List { .. } => return Ok(None),
        What::Add { name, role, os_user, source } => add(users, name, ((*role).into(), os_user), source),
        What::AddDisplay { name } => add_display(users, name),
        What::RemoveDisplay { name } => remove_display(users, name),
        What::Role { name, role } => change(users, name, |User { name, role: own, .. }| {
            let before = std::mem::replace(own, (*role).into());
            Ok(Change::new(
                format!("{name} has the role {} now", own.name()),
                format!("{name} STILL HAS the role from before there (in the file it was {})", before.name()),
            ))
        }),
        What::Passphrase { name, source } => change(users, name, |user| {
            user.passphrase = Some(ask_passphrase(&user.name, source)?);
            let name = &user.name;
            Ok(Change::new(
                format!("{name} has another passphrase now"),
                format!(
                    "whoever is signed in as {name} is STILL SIGNED IN, and the old passphrase lets them in"
                ),
            ))
        }),
        What::Disable { name } => change(users, name, |user| {
            user.disabled = true;
            let name = &user.name;
            Ok(Change::new(
                format!("{name} may not come in any more"),
                format!("{name} is STILL SIGNED IN if they were, and can sign in anew"),
            ))
        }),
        What::Enable { name } => change(users, name, |user| {
            user.disabled = false;
            let name = &user.name;
            Ok(Change::new(format!("{name} may come in again"), format!("{name} can't sign in yet")))
        }),
    };
    done.map(Some)
}

/// Where the file of users is, and who is in it.
fn read(folder: &Path) -> Result<(Door, Users), String> {
    let door = setward_config::load_door(folder).map_err(|problems| problems.render(false))?;
    let file = door.users.as_ref().ok_or_else(|| {
        let site = folder.join("site.toml");
        format!(
            "setward: {} names no file of users; add `users = \"users.toml\"` above its first table",
            site.display()
        )
    })?;
    let users = keep::read(file)?;
    Ok((door, users))
}

fn add(
    users: &mut Users,
    name: &str,
    (role, os_user): (UserRole, &Option<String>),
    source: &Source,
) -> Result<Change, String> {
    let name = name.trim();
    if users.list.iter().any(|user| user.name == name) {
        return Err(format!("there is a user {name} already; a name in records must mean one person"));
    }
    let hash = ask_passphrase(name, source)?;
    users.list.push(User {
        name: name.to_owned(),
        role,
        passphrase: Some(hash),
        os_user: os_user.clone(),
        disabled: false,
    });
    Ok(Change::new(
        format!("{name} may come in, with the role {}", role.name()),
        format!("{name} can't sign in yet"),
    ))
}

fn change(
    users: &mut Users,
    name: &str,
    how: impl FnOnce(&mut User) -> Result<Change, String>,
) -> Result<Change, String> {
    let names: Vec<String> = users.list.iter().map(|user| user.name.clone()).collect();
    match users.list.iter_mut().find(|user| user.name == name.trim()) {
        Some(user) => how(user),
        None if names.is_empty() => {
            Err(format!("there is no user {name}: there is none at all yet; use `add`"))
        }
        None => Err(format!("there is no user {name}; there are {}", names.join(", "))),
    }
}

fn add_display(users: &mut Users, name: &str) -> Result<Change, String> {
    let name = name.trim();
    if users.displays.iter().any(|display| display.name == name) {
        return Err(format!("there is a display {name} already; `remove-display` takes its pass back first"));
    }
    let pass = displays::new_pass()?;
    users.displays.push(Display { name: name.to_owned(), pass: displays::hash(&pass) });
    let shown = format!(
        "The pass of the display {name}, shown this once and kept nowhere:\n\n    {pass}\n\nType it at that screen, at the \
         page's address with /display behind it."
    );
    Ok(Change {
        told: format!("the display {name} has a pass"),
        until_then: format!("the pass of the display {name} opens nothing yet"),
        shown_once: Some(shown),
    })
}

fn remove_display(users: &mut Users, name: &str) -> Result<Change, String> {
    let names: Vec<String> = users.displays.iter().map(|display| display.name.clone()).collect();
    users.displays.retain(|display| display.name != name.trim());
    match (users.displays.len() < names.len(), names.is_empty()) {
        (true, _) => Ok(Change::new(
            format!("the pass of the display {} is taken back", name.trim()),
            format!("the screen {} STILL SHOWS the wall", name.trim()),
        )),
        (false, true) => Err(format!("there is no display {name}: there is none at all")),
        (false, false) => Err(format!("there is no display {name}; there are {}", names.join(", "))),
    }
}

/// A good passphrase's hash.
fn ask_passphrase(name: &str, source: &Source) -> Result<String, String> {
    let typed = match &source.passphrase_file {
        Some(file) if file.as_os_str() != "-" => read_word(file)?,
        None if io::stdin().is_terminal() => {
            let first =
                ask_unseen(&format!("Passphrase for {name}, {} characters or more: ", passphrase::LEAST))?;
            if ask_unseen("The same again: ")? != first {
                return Err("the two differ; nothing was changed".to_owned());
            }
            first
        }
        Some(_) | None => first_line()?,
    };
    match passphrase::refusal(&typed, name) {
        Some(why) => Err(format!("this passphrase is not taken: {why}")),
        None => passphrase::hash(&typed),
    }
}

fn read_word(file: &Path) -> Result<String, String> {
    let refused = |why: &str| format!("{}: {why}", file.display());
    let about = fs::metadata(file).map_err(|error| refused(&error.to_string()))?;
    if about.len() > MOST_BYTES {
        return Err(refused("it is too long for a passphrase and nothing else"));
    }
    let text = fs::read_to_string(file).map_err(|error| refused(&error.to_string()))?;
    Ok(text.trim_end_matches(['\n', '\r']).to_owned())
}

fn first_line() -> Result<String, String> {
    let mut line = String::new();
    let mut input = io::Read::take(io::stdin().lock(), MOST_BYTES);
    input.read_line(&mut line).map_err(|error| format!("reading stdin: {error}"))?;
    Ok(line.trim_end_matches(['\n', '\r']).to_owned())
}

/// Asks at the terminal, without showing what is typed.
fn ask_unseen(question: &str) -> Result<String, String> {
    let failed =
        |error: io::Error| format!("the terminal does not take a passphrase: {error}; use --passphrase-file");
    eprint!("{question}");
    // Nobody reads a question that could not be written.
    let _written = io::stderr().flush();
    let terminal = io::stdin();
    let shown = tcgetattr(&terminal).map_err(|error| failed(error.into()))?;
    let mut unseen = shown.clone();
    unseen.local_modes.remove(LocalModes::ECHO);
    unseen.local_modes.insert(LocalModes::ECHONL);
    tcsetattr(&terminal, OptionalActions::Flush, &unseen).map_err(|error| failed(error.into()))?;
    let line = first_line();
    tcsetattr(&terminal, OptionalActions::Now, &shown).map_err(|error| failed(error.into()))?;
    line
}

fn list(users: &Users, as_json: bool) -> Exit {
    if as_json {
        let one = |user: &User| {
            json!({
                "name": user.name,
                "role": user.role.name(),
                "os_user": user.os_user,
                "disabled": user.disabled,
                "has_passphrase": user.passphrase.is_some(),
            })
        };
        let list: Vec<_> = users.list.iter().map(one).collect();
        let displays: Vec<_> = users.displays.iter().map(|display| json!({ "name": display.name })).collect();
        println!("{:#}", json!({ "schema_version": 1, "users": list, "displays": displays }));
        return Exit::Ok;
    }
    if users.list.is_empty() {
        println!("nobody yet; `setward user FOLDER add NAME --role engineer` adds the first one");
    }
    for user in &users.list {
        let os_user =
            user.os_user.as_ref().map(|name| format!("  at the prompt: {name}")).unwrap_or_default();
        let beside = match (user.disabled, &user.passphrase) {
            (true, _) => "  disabled",
            (false, None) => "  no passphrase",
            (false, Some(_)) => "",
        };
        println!("{:<9} {}{os_user}{beside}", user.role.name(), user.name);
    }
    for display in &users.displays {
        println!("{:<9} {}", "display", display.name);
    }
    Exit::Ok
}
