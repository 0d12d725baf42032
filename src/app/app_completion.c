/* Shell completions from the tables. */
#include "app.h"

#include <string.h>

/* What may follow an option, or stand as an operand. */
static bool takes_file(const app_option *option) {
    return option->kind == APP_FILE || option->kind == APP_OUTPUT || option->kind == APP_PLOT;
}

static void add_commands(tw_text *out, const char *between) {
    for (const app_command *c = app_commands(); c->name != NULL; c++) {
        tw_text_addf(out, "%s%s", c == app_commands() ? "" : between, c->name);
    }
}

/* Inside single quotes of a shell. */
static void add_quoted(tw_text *out, const char *text) {
    tw_text_add(out, "'");
    for (const char *at = text; *at != '\0'; at++) {
        if (*at == '\'') {
            tw_text_add(out, "'\\''");
        } else {
            tw_text_append(out, at, 1);
        }
    }
    tw_text_add(out, "'");
}

/* ---- bash ------------------------------------------------------------------------------------------ */

static void bash_values(tw_text *out, const app_command *command) {
    const app_option *option = NULL;
    for (size_t k = 0; (option = app_option_at(command, k)) != NULL; k++) {
        if (option->argument == NULL) {
            continue;
        }
        tw_text_addf(out, "        %s:--%s", command->name, option->name);
        if (option->letter != '\0') {
            tw_text_addf(out, "|%s:-%c", command->name, option->letter);
        }
        if (takes_file(option)) {
            tw_text_add(out, ") COMPREPLY=($(compgen -f -- \"$word\")); return ;;\n");
        } else {
            tw_text_addf(out, ") COMPREPLY=($(compgen -W '%s' -- \"$word\")); return ;;\n",
                         option->choices != NULL ? option->choices : "");
        }
    }
}

static void bash(tw_text *out) {
    tw_text_add(out, "# bash completion for tankwright; made from the program's own tables\n"
                     "_tankwright() {\n"
                     "    local word=${COMP_WORDS[COMP_CWORD]} before=${COMP_WORDS[COMP_CWORD-1]}\n"
                     "    local command=${COMP_WORDS[1]} options=''\n"
                     "    COMPREPLY=()\n"
                     "    if [ \"$COMP_CWORD\" -eq 1 ]; then\n"
                     "        COMPREPLY=($(compgen -W '");
    add_commands(out, " ");
    tw_text_add(out, " --help --version' -- \"$word\"))\n"
                     "        return\n"
                     "    fi\n"
                     "    case \"$command:$before\" in\n");
    for (const app_command *c = app_commands(); c->name != NULL; c++) {
        bash_values(out, c);
    }
    tw_text_add(out, "    esac\n    case \"$command\" in\n");
    for (const app_command *c = app_commands(); c->name != NULL; c++) {
        const app_option *option = NULL;
        tw_text_addf(out, "        %s) options='", c->name);
        for (size_t k = 0; (option = app_option_at(c, k)) != NULL; k++) {
            tw_text_addf(out, "%s--%s", k > 0 ? " " : "", option->name);
        }
        tw_text_add(out, "' ;;\n");
    }
    tw_text_add(out, "    esac\n"
                     "    case \"$word\" in\n"
                     "        -*) COMPREPLY=($(compgen -W \"$options\" -- \"$word\")) ;;\n"
                     "        *) if [ \"$command\" = help ]; then\n"
                     "               COMPREPLY=($(compgen -W '");
    add_commands(out, " ");
    tw_text_add(out, "' -- \"$word\"))\n"
                     "           else\n"
                     "               COMPREPLY=($(compgen -f -- \"$word\"))\n"
                     "           fi ;;\n"
                     "    esac\n"
                     "}\n"
                     "complete -o filenames -F _tankwright tankwright\n");
}

/* ---- zsh ------------------------------------------------------------------------------------------- */

/* The explanation stands between brackets and before colons, which must not occur in it. */
static void zsh_help(tw_text *out, const char *text) {
    for (const char *at = text; *at != '\0'; at++) {
        if (*at == '[' || *at == ']' || *at == ':' || *at == '\\') {
            tw_text_add(out, "\\");
        }
        if (*at == '\'') {
            tw_text_add(out, "'\\''");
        } else {
            tw_text_append(out, at, 1);
        }
    }
}

static void zsh_option(tw_text *out, const app_option *option) {
    tw_text_addf(out, " \\\n                '%s--%s%s[", option->kind == APP_REPEATED ? "*" : "", option->name,
                 option->argument != NULL ? "=" : "");
    zsh_help(out, option->help);
    tw_text_add(out, "]");
    if (option->argument != NULL) {
        tw_text_add(out, ":");
        zsh_help(out, option->argument);
        tw_text_addf(out, ":%s%s%s", takes_file(option) ? "_files" : "", option->choices != NULL ? "(" : "",
                     option->choices != NULL ? option->choices : "");
        tw_text_add(out, option->choices != NULL ? ")" : takes_file(option) ? "" : " ");
    }
    tw_text_add(out, "'");
}

static void zsh(tw_text *out) {
    tw_text_add(out, "#compdef tankwright\n"
                     "# zsh completion for tankwright; made from the program's own tables\n"
                     "_tankwright() {\n"
                     "    local -a commands\n"
                     "    commands=(\n");
    for (const app_command *c = app_commands(); c->name != NULL; c++) {
        tw_text_addf(out, "        '%s:", c->name);
        zsh_help(out, c->summary);
        tw_text_add(out, "'\n");
    }
    tw_text_add(out, "    )\n"
                     "    if (( CURRENT == 2 )); then\n"
                     "        _describe command commands\n"
                     "        return\n"
                     "    fi\n"
                     "    local name=${words[2]}\n"
                     "    shift words\n"
                     "    (( CURRENT-- ))\n"
                     "    case $name in\n");
    for (const app_command *c = app_commands(); c->name != NULL; c++) {
        const app_option *option = NULL;
        tw_text_addf(out, "        %s)\n            _arguments -s", c->name);
        for (size_t k = 0; (option = app_option_at(c, k)) != NULL; k++) {
            zsh_option(out, option);
        }
        tw_text_addf(out, " \\\n                '*:%s:", c->operands[0] == '[' ? "command" : "file");
        if (c->operands[0] == '[') {
            tw_text_add(out, "(");
            add_commands(out, " ");
            tw_text_add(out, ")");
        } else {
            tw_text_add(out, "_files");
        }
        tw_text_add(out, "' ;;\n");
    }
    tw_text_add(out, "    esac\n}\n_tankwright \"$@\"\n");
}

/* ---- fish ------------------------------------------------------------------------------------------ */

static void fish_option(tw_text *out, const app_command *command, const app_option *option) {
    tw_text_addf(out, "complete -c tankwright -n '__fish_seen_subcommand_from %s' -l %s", command->name, option->name);
    if (option->letter != '\0') {
        tw_text_addf(out, " -s %c", option->letter);
    }
    if (takes_file(option)) {
        tw_text_add(out, " -r -F");
    } else if (option->argument != NULL) {
        tw_text_add(out, " -x");
    }
    if (option->choices != NULL) {
        tw_text_addf(out, " -a '%s'", option->choices);
    }
    tw_text_add(out, " -d ");
    add_quoted(out, option->help);
    tw_text_add(out, "\n");
}

static void fish(tw_text *out) {
    tw_text_add(out, "# fish completion for tankwright; made from the program's own tables\n");
    for (const app_command *c = app_commands(); c->name != NULL; c++) {
        tw_text_addf(out, "complete -c tankwright -f -n __fish_use_subcommand -a %s -d ", c->name);
        add_quoted(out, c->summary);
        tw_text_add(out, "\n");
    }
    for (const app_command *c = app_commands(); c->name != NULL; c++) {
        const app_option *option = NULL;
        for (size_t k = 0; (option = app_option_at(c, k)) != NULL; k++) {
            fish_option(out, c, option);
        }
    }
    tw_text_add(out, "complete -c tankwright -f -n '__fish_seen_subcommand_from help' -a '");
    add_commands(out, " ");
    tw_text_add(out, "'\n");
}

void app_completion(const char *shell, tw_text *out) {
    if (strcmp(shell, "bash") == 0) {
        bash(out);
    } else if (strcmp(shell, "zsh") == 0) {
        zsh(out);
    } else {
        fish(out);
    }
}
