// Command docs runs the sessions that the README and the documents print, and holds what they print against what comes out.
//
//	go run ./.ci/docs PROGRAM [DOCUMENT ...]
//
// A block with the name of a file behind its language ("csv lot.csv") is written into that file first. A session is a fenced block marked console: lines that begin with "$ " are commands (the indented lines after them belong to
// them), what follows is their output, and lines that begin with "# " or are empty say something to the reader. All sessions of a document share a shell, in a folder of their own, and the service at
// the usual address: the one that the document starts, or else the demo. In an output, "..." stands for any text, on a
// line by itself for any lines, and ids, times and digests may be others than the printed ones. A command without printed
// output has to succeed. What cannot be run as it stands, since it has placeholders, is no session and is marked sh.
package main

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"
)

const usual = "127.0.0.1:8416"

func main() {
	if len(os.Args) < 2 {
		fmt.Fprintln(os.Stderr, "usage: go run ./.ci/docs PROGRAM [DOCUMENT ...]")
		os.Exit(2)
	}
	program, err := filepath.Abs(os.Args[1])
	if err != nil {
		fail(err)
	}
	documents := os.Args[2:]
	if len(documents) == 0 {
		documents, _ = filepath.Glob("docs/*.md")
		documents = append([]string{"README.md"}, documents...)
	}
	passed, failed := 0, 0
	for _, d := range documents {
		text, err := os.ReadFile(d)
		if err != nil {
			fail(err)
		}
		files, commands, faults := sessions(d, string(text))
		if len(commands) > 0 {
			faults = append(faults, run(program, d, files, commands)...)
		}
		for _, f := range faults {
			fmt.Println(f)
		}
		passed += len(commands) - len(faults)
		failed += len(faults)
	}
	fmt.Printf("%d passed, %d failed\n", passed, failed)
	if failed > 0 || passed == 0 {
		os.Exit(1)
	}
}

func fail(err error) {
	fmt.Fprintln(os.Stderr, err)
	os.Exit(1)
}

// A command of a document, and what the document prints of it.
type command struct {
	line   int
	text   string
	prints []string
}

// sessions has the files and the commands of a document in their order. Something like a session that is not marked as one is a fault.
func sessions(name, text string) (files map[string]string, found []command, faults []string) {
	files = map[string]string{}
	language, file, inside := "", "", false
	for i, line := range strings.Split(text, "\n") {
		switch {
		case strings.HasPrefix(line, "```"):
			language, file, _ = strings.Cut(strings.TrimPrefix(line, "```"), " ")
			inside = !inside
		case !inside:
		case file != "":
			files[file] += line + "\n"
		case strings.HasPrefix(line, "$ ") && language != "console":
			faults = append(faults, fmt.Sprintf("%s:%d: a command with its output stands in a block that is not marked console, and would not be run", name, i+1))
		case language != "console":
		case strings.HasPrefix(line, "$ "):
			found = append(found, command{i + 1, strings.TrimPrefix(line, "$ "), nil})
		case strings.HasPrefix(line, "# "):
		case len(found) == 0:
			if line == "" {
				continue
			}
			faults = append(faults, fmt.Sprintf("%s:%d: an output without a command", name, i+1))
		case len(found[len(found)-1].prints) == 0 && strings.HasPrefix(line, "  ") && goesOn(found[len(found)-1].text):
			found[len(found)-1].text += "\n" + line
		default:
			found[len(found)-1].prints = append(found[len(found)-1].prints, line)
		}
	}
	for i, c := range found { // what only sets commands apart is no output
		for len(c.prints) > 0 && c.prints[len(c.prints)-1] == "" {
			c.prints = c.prints[:len(c.prints)-1]
		}
		found[i] = c
	}
	return files, found, faults
}

// goesOn tells whether the shell would wait for another line.
func goesOn(text string) bool {
	if strings.HasSuffix(text, "\\") {
		return true
	}
	var out bytes.Buffer
	c := exec.Command("bash", "-n", "-c", text)
	c.Stderr = &out
	return c.Run() != nil && strings.Contains(out.String(), "unexpected")
}

const mark = "\x1e" // begins a command's end in what the shell writes; no output has it

// run has a shell carry out the commands, and says of each that fails, or prints something else, where and how.
func run(program, document string, files map[string]string, commands []command) (faults []string) {
	at, err := os.MkdirTemp("", "laidup-docs")
	if err != nil {
		fail(err)
	}
	defer os.RemoveAll(at)
	tree, err := os.Getwd()
	if err != nil {
		fail(err)
	}
	for _, of := range []string{"schema", "testdata", "docs"} {
		err = errors.Join(err, os.Symlink(filepath.Join(tree, of), filepath.Join(at, of)))
	}
	for name, text := range files {
		err = errors.Join(err, os.WriteFile(filepath.Join(at, filepath.Base(name)), []byte(text), 0o600))
	}
	bin := filepath.Join(at, "bin")
	err = errors.Join(err, os.Mkdir(bin, 0o700), os.Symlink(program, filepath.Join(bin, "laidup")))
	if err != nil {
		fail(err)
	}
	address := free()
	environment := append(os.Environ(), "PATH="+bin+":"+os.Getenv("PATH"), "LAIDUP_ADDR="+address, "LAIDUP_DATA="+filepath.Join(at, "data"))

	ctx, stop := context.WithTimeout(context.Background(), 3*time.Minute)
	defer stop()
	asks := func(what string) bool {
		return slices.ContainsFunc(commands, func(c command) bool { return strings.Contains(c.text, what) })
	}
	if asks(usual) && !asks("laidup serve") && !asks("laidup demo") {
		demo := exec.CommandContext(ctx, program, "demo")
		demo.Env, demo.Dir = environment, at
		says, err := demo.StdoutPipe()
		if err := errors.Join(err, demo.Start()); err != nil {
			fail(err)
		}
		defer func() { _ = demo.Process.Kill(); _ = demo.Wait() }()
		for lines := bufio.NewScanner(says); lines.Scan() && !strings.HasPrefix(lines.Text(), "Serving at"); {
		}
	}

	var script strings.Builder
	for _, c := range commands {
		text := strings.ReplaceAll(strings.ReplaceAll(c.text, "go run ./cmd/laidup", "laidup"), usual, address)
		background := strings.HasSuffix(text, "&")
		if background { // whose log is not the output of any command
			text = strings.TrimSuffix(text, "&") + " >server.log 2>&1 &"
		}
		fmt.Fprintf(&script, "{ %s\n} 2>&1\nprintf '%s%%s\\n' $?\n", text, mark)
		if background {
			fmt.Fprintf(&script, "for i in {1..400}; do curl -sf -o ready http://%s/readyz && break; sleep 0.05; done; trap 'kill $(jobs -p)' EXIT\n", address)
		}
	}
	shell := exec.CommandContext(ctx, "bash", "-c", script.String())
	shell.Env, shell.Dir, shell.WaitDelay = environment, at, time.Second
	var out bytes.Buffer
	shell.Stdout, shell.Stderr = &out, &out
	if err := shell.Run(); err != nil && ctx.Err() != nil {
		faults = append(faults, fmt.Sprintf("%s: its commands took more than three minutes", document))
	}

	rest := strings.ReplaceAll(out.String(), address, usual)
	for _, c := range commands {
		printed, after, ok := strings.Cut(rest, mark)
		if !ok {
			return append(faults, fmt.Sprintf("%s:%d: was not run to its end: %.2000s", document, c.line, rest))
		}
		status, next, _ := strings.Cut(after, "\n")
		rest = next
		if why := differs(c.prints, printed, status); why != "" {
			faults = append(faults, fmt.Sprintf("%s:%d: $ %s\n%s", document, c.line, c.text, why))
		}
	}
	return faults
}

func free() string {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		fail(err)
	}
	defer l.Close()
	return l.Addr().String()
}

var (
	fleeting = []*regexp.Regexp{
		regexp.MustCompile(`[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}`), // an id
		regexp.MustCompile(`[0-9a-f]{64}`),                                                 // a digest
		regexp.MustCompile(`\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?Z`),                      // a time
		regexp.MustCompile(`lu_[A-Za-z0-9_-]{20,}`),                                        // a key
	}
)

func settled(text string) string {
	for _, f := range fleeting {
		text = f.ReplaceAllString(text, "~")
	}
	return strings.TrimRight(text, " \t\r")
}

// differs says what of an output is not as printed; it is empty when all is.
func differs(prints []string, got, status string) string {
	if len(prints) == 0 {
		if status != "0" {
			return "  ended with " + status + ":\n" + indent(got)
		}
		if strings.Contains(got, `"type":"/problems/`) {
			return "  was answered with a problem:\n" + indent(got)
		}
		return ""
	}
	if n, err := strconv.Atoi(status); err != nil || n > 2 {
		return "  ended with " + status + ":\n" + indent(got)
	}
	lines := strings.Split(strings.TrimRight(got, "\n"), "\n")
	at, anyLines := 0, false
	for _, p := range prints {
		p = settled(p)
		if t := strings.TrimSpace(p); t == "..." || t == "…" {
			anyLines = true
			continue
		} else if t == "" && anyLines {
			continue
		}
		is := pattern(p)
		found := at
		for found < len(lines) && !is.MatchString(settled(lines[found])) {
			if !anyLines {
				return fmt.Sprintf("  printed: %s\n  comes:   %.1000s", p, lines[found])
			}
			found++
		}
		if found == len(lines) {
			return fmt.Sprintf("  printed: %s\n  which does not come; what comes:\n%s", p, indent(got))
		}
		at, anyLines = found+1, false
	}
	if at < len(lines) && !anyLines {
		return fmt.Sprintf("  more comes than is printed: %.1000s", lines[at])
	}
	return ""
}

// pattern has "..." and "…" of a printed line stand for any text.
func pattern(line string) *regexp.Regexp {
	quoted := regexp.QuoteMeta(line)
	quoted = strings.ReplaceAll(quoted, `\.\.\.`, `.*`)
	return regexp.MustCompile("^" + strings.ReplaceAll(quoted, "…", ".*") + "$")
}

func indent(text string) string {
	if len(text) > 4000 {
		text = text[:4000] + " …"
	}
	return "    " + strings.ReplaceAll(strings.TrimRight(text, "\n"), "\n", "\n    ")
}
