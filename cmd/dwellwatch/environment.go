package main

import (
	"errors"
	"fmt"
	"log/slog"
	"os"
	"reflect"
	"slices"
	"strings"
	"time"

	"github.com/alecthomas/kong"
)

const variablePrefix = "DWELLWATCH_"

// otherVariables are read elsewhere than by an option.
func otherVariables() []string {
	return []string{
		"DWELLWATCH_SKIP_PEERS", // tests
		"DWELLWATCH_KEEP_PDF",   // tests
		"DWELLWATCH_CHAOS",      // tests
		"DWELLWATCH_CHAOS_SEED", // tests
	}
}

// variables lists every variable that an option of n or of a command below it reads.
func variables(n *kong.Node) []string {
	var out []string
	for _, f := range n.Flags {
		out = append(out, f.Envs...)
	}
	for _, c := range n.Children {
		out = append(out, variables(c)...)
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// readQuietly has the variables of all options below n read by fromEnvironment, and the faults of their values told without the
// values. The option that names the configuration file is left as it is: it must be known before the others.
func readQuietly(n *kong.Node) {
	for _, f := range n.Flags {
		if len(f.Tag.Envs) == 0 || f.Name == "config" {
			continue
		}
		f.Help = kong.DefaultHelpValueFormatter(f.Value) // names the variable
		f.Tag.Envs = nil
		f.Mapper = quietMapper{f.Name, f.Mapper}
	}
	for _, c := range n.Children {
		readQuietly(c)
	}
}

// fromEnvironment gives an option's variable; an empty one counts as not given.
func fromEnvironment(_ *kong.Context, _ *kong.Path, flag *kong.Flag) (any, error) {
	for _, env := range flag.Envs {
		if value := os.Getenv(env); value != "" && flag.Name != "config" {
			return value, nil
		}
	}
	return nil, nil
}

// quietMapper reads an option's value and tells a fault without the value, which may be a secret.
type quietMapper struct {
	option string
	next   kong.Mapper
}

// Decode reads the value; its error is a usageError that names the setting.
func (m quietMapper) Decode(ctx *kong.DecodeContext, target reflect.Value) error {
	err := m.next.Decode(ctx, target)
	if err == nil && target.Kind() == reflect.String {
		// A secret that is mounted as a file ends with a line end as often as not.
		value := strings.TrimSpace(target.String())
		target.SetString(value)
		if (strings.HasSuffix(m.option, "token") || strings.HasSuffix(m.option, "secret")) && strings.ContainsFunc(value, func(r rune) bool { return r <= ' ' || r > '~' }) {
			return usageError{setting(m.option) + ": a token has visible ASCII characters only, and no blank within"}
		}
	}
	var told usageError
	if err == nil || errors.As(err, &told) {
		return err
	}
	needed := "a value"
	switch target.Interface().(type) {
	case time.Duration:
		needed = "a duration, e.g. 30s"
	case slog.Level:
		needed = "debug, info, warn or error"
	case int, int64:
		needed = "a whole number"
	}
	return usageError{setting(m.option) + ": needs " + needed}
}

// unknownVariables names what looks like a setting of ours in the environment and is none, sorted. It never gives a value.
func unknownVariables(environ []string, n *kong.Node) []string {
	known := append(variables(n), otherVariables()...)
	var out []string
	for _, e := range environ {
		name, _, _ := strings.Cut(e, "=")
		if strings.HasPrefix(name, variablePrefix) && !slices.Contains(known, name) {
			out = append(out, name)
		}
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// warnUnknown says which variables of the environment nobody reads: a misspelt one would otherwise be found out much later.
// Commands that log say it in the log.
func warnUnknown(k *kong.Kong, cmd *kong.Context, io streams) {
	names := unknownVariables(os.Environ(), k.Model.Node)
	level, logs := logLevel(cmd)
	for _, name := range names {
		if logs {
			logger(io.err, level).Warn("this variable is no setting and is not read", "variable", name)
			continue
		}
		fmt.Fprintf(io.err, "dwellwatch: warning: %s is no setting and is not read\n", name)
	}
}

// logLevel gives the level of the chosen command's log; false where the command has none.
func logLevel(cmd *kong.Context) (slog.Level, bool) {
	for _, f := range cmd.Flags() {
		if f.Name == "log-level" {
			level, ok := cmd.FlagValue(f).(slog.Level)
			return level, ok
		}
	}
	return 0, false
}

// setting names an option in a message the two ways people may have set it.
func setting(option string) string {
	return option + " (" + variablePrefix + strings.ToUpper(strings.ReplaceAll(option, "-", "_")) + ")"
}
