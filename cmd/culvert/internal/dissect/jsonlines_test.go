package dissect

import (
	"bufio"
	"encoding/json"
	"errors"
	"io"
	"strings"
	"testing"
	"time"

	"culvert/cmd/culvert/internal/cli"
)

const goodFrame = "7e33f01633163331a4636f6170" // UDP, both addresses from the MAC header

// What is wrong with a line is said in its answer, with its number; the lines around
// it are answered all the same.
func TestJSONLineErrors(t *testing.T) {
	tests := []struct{ command, line, want string }{
		{"explain", `{`, "the line ends within the object"},
		{"explain", `nonsense`, "not JSON"},
		{"explain", `[]`, "want a JSON object"},
		{"explain", `null`, "want a JSON object"},
		{"explain", `{"frames":[]}{}`, "behind the object"},
		{"explain", `{}`, `"frames" is missing`},
		{"explain", `{"frames":null}`, "frames: want an array"},
		{"explain", `{"frames":"00"}`, "frames: want an array"},
		{"explain", `{"Frames":[]}`, `unknown key "Frames"`},
		{"explain", `{"frames":[],"frames":[]}`, `key "frames" stands twice`},
		{"explain", `{"frames":[],"color":1}`, `unknown key "color"`},
		{"explain", `{"frames":["7"]}`, "frames[0]: \"7\" is no hex: an odd number"},
		{"explain", `{"frames":["00","0g"]}`, `frames[1]: "0g" is no hex`},
		{"explain", `{"frames":[7]}`, "frames[0]: want a JSON object"},
		{"explain", `{"frames":[{"at":1}]}`, `frames[0]: the key "hex" is missing`},
		{"explain", `{"frames":[{"hex":"00","when":1}]}`, `frames[0]: unknown key "when"`},
		{"explain", `{"frames":[{"hex":"00","at":-1}]}`, "frames[0]: at: -1: want milliseconds"},
		{"explain", `{"frames":[{"hex":"00","at":"1"}]}`, "want milliseconds"},
		{"explain", `{"frames":[{"hex":"00","at":1e300}]}`, "want milliseconds"},
		{"explain", `{"frames":[{"hex":"00","at":9},{"hex":"00","at":8}]}`, "frames[1]: at: 8 ms is before"},
		{"explain", `{"frames":[{"hex":"00","from":"1"}]}`, "frames[0]: from: ieee802154: link address"},
		{"explain", `{"frames":[],"from":"00:00:5e"}`, "from: ieee802154: link address"},
		{"explain", `{"frames":[],"to":17}`, "to: want a link address"},
		{"explain", `{"frames":[],"contexts":[]}`, "contexts: want an object"},
		{"explain", `{"frames":[],"contexts":{"16":"2001:db8::/64"}}`, `context "16": want a number from 0 to 15`},
		{"explain", `{"frames":[],"contexts":{"x":"2001:db8::/64"}}`, `context "x"`},
		{"explain", `{"frames":[],"contexts":{"1":"2001:db8::"}}`, "want an IPv6 prefix"},
		{"explain", `{"frames":[],"contexts":{"1":"192.0.2.0/24"}}`, "want an IPv6 prefix"},
		{"explain", `{"frames":[],"ghc":1}`, "ghc: want true or false"},
		{"explain", `{"frames":[],"elided_checksum":"yes"}`, "elided_checksum: want true or false"},
		{"compress", `{}`, `"packet" is missing`},
		{"compress", `{"packet":"60"}`, "not-ipv6: 1 octet, but the header alone has 40"},
		{"compress", `{"packet":""}`, "not-ipv6: 0 octets"},
		{"compress", `{"packet":"45000000"}`, "not-ipv6: the version is 4"},
		{"compress", `{"packet":"` + header(5) + `00"}`, "not-ipv6: 41 octets, but the Payload Length requires 45"},
		{"compress", `{"packet":"` + header(1300) + strings.Repeat("00", 1300) + `"}`, "packet-too-big"},
		{"compress", `{"packet":"zz"}`, "packet: \"zz\" is no hex"},
		{"compress", `{"packet":null}`, "packet: want octets in hex"},
		{"compress", `{"packet":"` + header(0) + `","frame_size":59}`, "frame_size: 59: want a whole number from 60 to 2047"},
		{"compress", `{"packet":"` + header(0) + `","frame_size":2048}`, "frame_size: 2048: want"},
		{"compress", `{"packet":"` + header(0) + `","frame_size":100.5}`, "frame_size: 100.5: want"},
		{"compress", `{"packet":"` + header(0) + `","frame_size":"100"}`, "frame_size"},
		{"compress", `{"packet":"` + header(0) + `","tag":65536}`, "tag: 65536: want"},
		{"compress", `{"packet":"` + header(0) + `","encoding":"best"}`, `encoding "best": want "conservative" or "full"`},
		{"compress", `{"packet":"` + header(0) + `","encoding":3}`, "encoding: want a string"},
		{"compress", `{"packet":"` + header(0) + `","frames":[]}`, `unknown key "frames"`},
	}
	good := map[string]string{
		"explain":  `{"frames":["` + goodFrame + `"],"from":"12:34","to":"00:01"}`,
		"compress": `{"packet":"` + header(0) + `"}`,
	}
	for _, x := range tests {
		in := good[x.command] + "\n\n" + x.line + "\r\n" + good[x.command]
		code, stdout, stderr := runCLI(in, x.command, "--json")
		lines := strings.Split(strings.TrimSuffix(stdout, "\n"), "\n")
		if code != cli.ExitBad || len(lines) != 3 || !strings.Contains(stderr, "1 of 4 lines could not be answered") {
			t.Errorf("%s %s: exit code %d, %d answers, standard error %q", x.command, x.line, code, len(lines), stderr)
			continue
		}
		var bad cli.BadLine
		if err := json.Unmarshal([]byte(lines[1]), &bad); err != nil {
			t.Errorf("%s: %v", x.line, err)
		}
		if !strings.HasPrefix(bad.Error, "line 3: ") || !strings.Contains(bad.Error, x.want) || len(bad.Error) > 200 {
			t.Errorf("%s %.80s\n got %q\nwant %q", x.command, x.line, bad.Error, x.want)
		}
		if lines[0] != lines[2] || strings.Contains(lines[0], "error") {
			t.Errorf("%s %s: the lines around it: %s, %s", x.command, x.line, lines[0], lines[2])
		}
	}
}

// header returns a fixed header in hex with the given Payload Length.
func header(payload int) string {
	b := make([]byte, 0, 4)
	for shift := 12; shift >= 0; shift -= 4 {
		b = append(b, "0123456789abcdef"[payload>>shift&15])
	}
	return "60000000" + string(b) + "3b40" + strings.Repeat("20010db8000000000000000000000001", 2)
}

// What has no meaning is accepted: no lines, blank lines, no last newline, keys that
// are null, an array without frames.
func TestJSONLineForms(t *testing.T) {
	for in, want := range map[string]string{
		"":                 "",
		"\n \n\r\n":        "",
		`{"frames":[]}`:    `{"packets":[]}`,
		` {"frames":[ ]} `: `{"packets":[]}`,
		`{"frames":[{"hex":"` + goodFrame + `","at":null,"from":null}],"from":"1234","to":"00-01","contexts":null}`: `{"packets":[],"drops":[{"frame":0,"reason":"no-link-address"`,
		`{"frames":[{"hex":"` + strings.ToUpper(goodFrame) + `"}],"from":"1234","to":"00-01"}`:                      `{"packets":["60000000000c1140fe80000000000000000000fffe001234fe80000000000000000000fffe000001`,
	} {
		code, stdout, stderr := runCLI(in, "explain", "--json")
		if code != cli.ExitOK || stderr != "" || !strings.HasPrefix(strings.TrimSuffix(stdout, "\n"), want) || want == "" && stdout != "" {
			t.Errorf("%q: exit code %d, %q, standard error %q; want %q", in, code, stdout, stderr, want)
		}
	}
}

// Lines of several megabytes are read; one over the bound is passed over, and the
// next is answered.
func TestJSONLongLines(t *testing.T) {
	frames := strings.Repeat(`"`+goodFrame+`",`, 200_000)
	in := `{"from":"12:34","to":"00:01","frames":[` + strings.TrimSuffix(frames, ",") + "]}\n"
	code, stdout, _ := runCLI(in, "explain", "--json")
	if got := strings.Count(stdout, `"60000000000c`); code != cli.ExitOK || got != 200_000 {
		t.Errorf("a line of %d octets: exit code %d, %d packets", len(in), code, got)
	}
	long := io.MultiReader(strings.NewReader(`{"frames":["`), io.LimitReader(zeros{}, cli.MaxLine), strings.NewReader("\"]}\n{\"frames\":[]}\n"))
	var out strings.Builder
	err := cli.AnswerLines(long, &out, explainLine)
	if err == nil || out.String() != `{"error":"line 1: longer than 67108864 octets"}`+"\n"+`{"packets":[]}`+"\n" {
		t.Errorf("a line over the bound: %v, %.200s", err, out.String())
	}
}

type zeros struct{}

func (zeros) Read(b []byte) (int, error) {
	for i := range b {
		b[i] = '0'
	}
	return len(b), nil
}

// An answer comes before the next line is there, so that a program can ask as it
// goes.
func TestJSONConversation(t *testing.T) {
	ask, in := io.Pipe()
	answers, out := io.Pipe()
	done := make(chan error, 1)
	go func() {
		err := cli.AnswerLines(ask, out, explainLine)
		out.Close()
		done <- err
	}()
	r := bufio.NewReader(answers)
	for range 3 {
		if _, err := io.WriteString(in, `{"frames":[]}`+"\n"); err != nil {
			t.Fatal(err)
		}
		if got, err := r.ReadString('\n'); err != nil || got != `{"packets":[]}`+"\n" {
			t.Fatalf("%q, %v", got, err)
		}
	}
	in.Close()
	select {
	case err := <-done:
		if err != nil {
			t.Error(err)
		}
	case <-time.After(10 * time.Second):
		t.Error("it does not end with its input")
	}
}

// A reader that fails ends the command with its error; so does a full output.
func TestJSONBrokenPipes(t *testing.T) {
	broken := errors.New("pulled")
	in := io.MultiReader(strings.NewReader("{\"frames\":[]}\n"), failing{broken})
	var out strings.Builder
	if err := cli.AnswerLines(in, &out, explainLine); !errors.Is(err, broken) || out.String() != "{\"packets\":[]}\n" {
		t.Errorf("broken input: %v, %q", err, out.String())
	}
	if err := cli.AnswerLines(strings.NewReader("{\"frames\":[]}\n"), failing{broken}, explainLine); !errors.Is(err, broken) {
		t.Errorf("broken output: %v", err)
	}
}

type failing struct{ err error }

func (f failing) Read([]byte) (int, error)  { return 0, f.err }
func (f failing) Write([]byte) (int, error) { return 0, f.err }

// The command lines that are refused, and what is said.
func TestExplainCompressUsage(t *testing.T) {
	for _, x := range []struct {
		args, want string
	}{
		{"explain", "no frame"},
		{"explain 7e3", "frame 0: \"7e3\" is no hex"},
		{"explain 7e 7x", "frame 1: \"7x\" is no hex"},
		{"explain --from 12 7e", "link address"},
		{"explain --context 2001:db8::/64 7e", "want N=PREFIX"},
		{"explain --context 16=2001:db8::/64 7e", "from 0 to 15"},
		{"explain --context 1=2001:db8::/64 --context 1=2001:db8:1::/64 7e", "is given twice"},
		{"explain --json 7e", "--json takes no arguments"},
		{"explain --json --from 12:34", "--from: with --json"},
		{"compress", "0 packets: want one"},
		{"compress 60 60", "2 packets: want one"},
		{"compress 6x", "is no hex"},
		{"compress --frame-size 59 " + header(0), "frame size 59: want a number from 60 to 2047"},
		{"compress --tag 65536 " + header(0), "tag 65536"},
		{"compress --encoding best " + header(0), `encoding "best"`},
		{"compress --json --ghc", "--ghc: with --json"},
	} {
		code, stdout, stderr := runCLI("", strings.Fields(x.args)...)
		if code != cli.ExitUsage || stdout != "" || !strings.Contains(stderr, x.want) || !strings.Contains(stderr, "--help") || strings.Count(stderr, "\n") != 1 {
			t.Errorf("culvert %s: exit code %d, standard output %q, standard error %q; want %q", x.args, code, stdout, stderr, x.want)
		}
	}
	// A packet that cannot be sent is a bad answer, not a wrong use.
	code, _, stderr := runCLI("", "compress", "45000000")
	if code != cli.ExitBad || stderr != "culvert compress: not-ipv6: the version is 4 (RFC 8200, 3)\n" {
		t.Errorf("compress of an IPv4 header: exit code %d, %q", code, stderr)
	}
}
