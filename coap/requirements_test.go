package coap

import (
	"go/ast"
	"go/parser"
	"go/token"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"culvert/bridge/bridgetest"
)

// requirement is one row of a table of requirements that was prepared for this
// project from RFC 7252 and the standards around it. trap is what is easily done
// wrong there.
type requirement struct {
	id, says, trap string
	// tests names what shows it: TestName, or TestName/a string that stands in that
	// function, which names the case. FOLDER:TestName is in another package.
	tests []string
}

// requirements has each row of the table's section on CoAP once.
var requirements = []requirement{
	{"7252-3-FMT01", "malformed messages are rejected; a ping has a reset", "a payload marker with nothing after it is an error",
		[]string{"TestCoAPVectors", "TestMalformedTypes", "TestStrangeDatagrams/a cut message", "TestNodeAnswers/garbage on the acknowledgement"}},
	{"7252-4.5-DEDUP01", "a repetition has the same answer and no effect", "the answer is remembered, not the Message ID alone",
		[]string{"TestRepetitions", "TestMessageIDReused", "TestSilentNode"}},
	{"7252-4.2-RETX01", "retransmission: a random first wait, doubled each time", "the random factor is applied once",
		[]string{"coap/nodeclient:TestTransmissionTimes", "coap/nodeclient:TestRetransmissionTimes", "coap/nodeclient:TestDerivedTimes", "TestSilentNode", "TestObserverLeaves/silence"}},
	{"7252-4.7-NSTART01", "one request at a time to a node, a bound and 5.03 for the rest", "the front is one client, whoever asks",
		[]string{"TestOneAtATime", "TestQueue"}},
	{"7252-5.2-SEP01", "the empty acknowledgement in time, the answer by itself; both from nodes", "the answer may overtake its acknowledgement",
		[]string{"TestEmptyAcknowledgementInTime", "TestSilentNode", "TestNodeAnswers/acknowledged, then by itself", "TestNodeAnswers/by itself before the acknowledgement"}},
	{"7252-5.3-TOK01", "tokens towards nodes are the front's own", "two clients with one token",
		[]string{"TestForward", "TestQueue", "TestAnswerFromElsewhere"}},
	{"7252-5.4-OPT01", "options that are not understood", "", []string{"TestCoAPVectors", "TestReports", "TestElectiveOptions", "TestTree/elective option that nobody knows"}},
	{"7252-5.7-PROXYOPT", "unsafe options that are not known end here, safe ones go on", "unsafe is bit 1, not the critical bit",
		[]string{"TestForwardOptions/unsafe, elective, unknown", "TestForwardOptions/safe, critical, unknown: the node decides", "TestSafeOptionsOfAnswers", "TestNodeAnswers/an unsafe option that is not known", "TestCacheKey/an unknown option that is NoCacheKey"}},
	{"7252-5.7.2-FWD01", "a forward proxy for nodes only", "an open relay", []string{"TestForwardProxy"}},
	{"7252-5.7.3-REV01", "a node's resources, Location and links read right from outside", "",
		[]string{"TestNodeLinks", "TestForward", "TestForwardProxy"}},
	{"7252-5.6-CACHE01", "the cache key; freshness; writes make stale", "no Max-Age is 60 s, an empty one is 0",
		[]string{"TestCacheKey", "TestCacheFreshness/no Max-Age is 60", "TestCacheFreshness/Max-Age 0", "TestCacheWrites"}},
	{"7252-5.6-AGE01", "a cached answer's Max-Age is less by its age", "passing the first one on",
		[]string{"TestCacheFreshness/fresh"}},
	{"7252-5.6-ETAG01", "validation with the node; 2.03 for clients that have it", "", []string{"TestCacheValidation"}},
	{"7252-5.9-ERR01", "5.04, 5.02, 5.03 and 4.04, each where it fits", "5.04 before the client's MAX_TRANSMIT_WAIT",
		[]string{"TestNodeAnswers/nothing", "TestNodeAnswers/reset", "TestNothingListens", "coap/nodeclient:TestICMPErrors", "bridge:TestFrontAndFaults/radio dead", "TestQueue",
			"TestTree/no such node", "coap/nodeclient:TestTransmissionTimes/all of MAX_TRANSMIT_WAIT", "TestCacheFreshness/an error of the node's own"}},
	{"7252-8-MC01", "no answer to what was sent to a group, and nothing is done", "confirmable ones, Resets, errors and empty results too",
		[]string{"TestMulticast/a request to a group", "TestGroupsHearNothing/confirmable GET", "TestGroupsHearNothing/links, none", "TestGroupsHearNothing/ping", "TestGroupsHearNothing/PUT to a node", "TestCoAPVectors/coap-neg-mcast-con"}},
	{"7252-11.3-AMP01", "large answers to unverified sources need Echo; a node's own Echo and Request-Tag pass", "repetitions and pings are octets too",
		[]string{"TestAmplification/Echo", "TestAmplification/an observation", "TestAmplificationOctets", "TestEchoAndRequestTag", "TestForwardOptions/Echo", "TestForwardOptions/Request-Tag", "TestCacheKey/Echo", "TestCacheFreshness/a challenge (RFC 9175, 2.3)"}},
	{"7641-OBS01", "register, deregister, the end by Reset and by silence", "Observe 0 is an empty option",
		[]string{"TestObserveIsEmpty", "TestElectiveOptions/Observe, with a leading zero", "TestObserveFanOut", "TestObserverLeaves", "TestObserveWithdrawn"}},
	{"7641-OBS02", "order of notifications", "the order is the front's own", []string{"TestObserveOrder", "coap/nodeclient:TestNotificationOrder", "coap/observe:TestObserveOwnOrder", "TestObserveRenewal"}},
	{"7641-OBS03", "confirmable ones now and then; the latest state only", "",
		[]string{"TestObserveConfirmable", "TestObserverLeaves/the latest state, and no other", "TestObserveSlowConnection"}},
	{"7641-5-FAN01", "one observation of the node for all", "another Accept or query is another key", []string{"TestObserveFanOut", "TestObserveKeys", "bridge:TestObserversCostTheNodeOne", "bridge:TestObserversOnALossyMesh"}},
	{"7641-5-FAN02", "an observation that died is renewed, or ends with an error", "a rebooted node says nothing",
		[]string{"TestObserveRenewal", "TestObserveRefused", "bridge:TestFrontAndFaults/rebooting"}},
	{"7959-BLK01", "block-wise answers of one representation", "mixing two", []string{"TestCoAPVectors", "TestBlocksOfOneState", "TestNodeAnswers/changed once in the middle (RFC 7959, 2.4)", "TestObserveLarge"}},
	{"7959-BLK02", "block-wise requests", "", []string{"TestUpload", "TestUploadToNode"}},
	{"7959-BLK03", "small blocks towards nodes, large ones towards clients; large notifications", "",
		[]string{"bridge:TestBlocksFitFrames", "TestBlocksBothWays", "TestUploadToNode", "TestObserveLarge"}},
	{"8132-FETCH01", "FETCH, PATCH and iPATCH", "", []string{"TestForward", "TestCacheKey/FETCH by its payload", "TestPatchTwice"}},
	{"7967-NR01", "No-Response", "the exchange is still released", []string{"TestNoResponse", "TestNoResponseToNode"}},
	{"8768-HOP01", "Hop-Limit", "", []string{"TestForwardOptions/Hop-Limit goes down", "TestForwardOptions/Hop-Limit 1", "TestNodeAnswers/5.08 of a hop behind (RFC 8768, 4)", "TestForwardProxy"}},
	{"8613-OSC01", "OSCORE passes as it is, and is not cached", "encoding it anew", []string{"TestForwardOptions", "TestOSCOREInOnePiece", "TestCacheKey/OSCORE"}},
	{"8323-TCP01", "CoAP over TCP: CSM first, the length without the token, the signals", "the token length stands before the extended length",
		[]string{"TestStreamHeader", "TestCoAPVectors", "TestStreamSignals/no CSM", "TestStreamSignals/a critical option in a CSM (5.3)", "TestStreamSignals/token length 9", "TestStreamSizes/BERT", "TestLibcoapTCP", "TestExchangeTable/libcoap, DTLS, TCP and TLS"}},
	{"6690-WKC01", "/.well-known/core with filters, in blocks too; an empty result is 2.05", "an empty result on multicast is silence; one value of several",
		[]string{"TestLinkVectors", "coap/msg:TestLinkFilters/rt=outdoor", "coap/msg:TestLinkFilters/rt=light*", "coap/msg:TestLinkFilters/href=/sensors/*", "TestFiltersOverBlocks/if=sensor", "TestTree/no link: an empty answer (RFC 6690, 4.1)",
			"TestGroupsHearNothing/links, none", "TestLibcoapUDP", "TestExchangeTable"}},
	{"9176-RD01", "resource directory: registration, update, removal, lifetimes, lookups, simple registration", "the same endpoint keeps its location",
		[]string{"TestResourceDirectory", "TestDirectoryClauses/ep=reed&d=north&et=sump&", "TestDirectoryClauses/4294967296", "TestSimpleRegistration", "TestDirectoryEdges", "TestDirectoryOfNodes", "TestLinkVectors"}},
	{"8075-HC01", "HTTP to CoAP: targets, status, freshness, formats", "4.01 is not HTTP's 401",
		[]string{"TestHTTP/WWW-Authenticate", "TestHTTPClauses/refused", "TestHTTPClauses/silent", "TestHTTPClauses/coap://grain-bin/a%2Fb/c", "TestHTTPCurl"}},
	{"8428-SENML01", "SenML is resolved", "bn and bv reach as far as the next ones; bv is added",
		[]string{"bridge/senml:TestVectors", "bridge/senml:TestResolve/base name until changed", "bridge/senml:TestResolve/base value is added", "bridge/senml:TestResolve/base sum is added", "bridge/senml:TestResolve/last relative",
			"bridge/senml:TestResolve/first absolute", "bridge/senml:TestResolve/base and own time", `bridge/senml:TestRejected/[{"n":"a","v":1,"must_":2}]`, `bridge/senml:TestRejected/[{"n":"a","v":1,"vb":true}]`,
			`bridge/senml:TestRejected/[{"n":"a","v":1,"v":2}]`, "bridge/senml:TestAbsolute"}},
	{"8949-CBOR01", "deterministic CBOR", "the order of keys", []string{"bridge/senml:TestCBORVectors", "bridge/senml:TestCBORForms"}},
}

// Every row has its tests, and each of them exists.
func TestRequirements(t *testing.T) {
	sources := map[string]map[string]*ast.FuncDecl{}
	seen := map[string]bool{}
	for _, r := range requirements {
		if seen[r.id] {
			t.Errorf("%s stands twice", r.id)
		}
		seen[r.id] = true
		if len(r.tests) == 0 {
			t.Errorf("%s (%s): no test", r.id, r.says)
		}
		for _, name := range r.tests {
			folder, test := "coap", name
			if !strings.HasPrefix(name, "Test") {
				folder, test, _ = strings.Cut(name, ":")
			}
			if sources[folder] == nil {
				sources[folder] = testFunctions(t, folder)
			}
			fn, part, _ := strings.Cut(test, "/")
			switch d := sources[folder][fn]; {
			case d == nil:
				t.Errorf("%s: there is no %s in %s", r.id, fn, folder)
			case part != "" && !hasString(d, part):
				t.Errorf("%s: %s in %s has no %q", r.id, fn, folder, part)
			}
		}
	}
	if len(seen) != 34 {
		t.Errorf("%d rows, the table has 34", len(seen))
	}
}

// testFunctions returns the test functions of a folder by their names.
func testFunctions(t *testing.T, folder string) map[string]*ast.FuncDecl {
	t.Helper()
	files, err := filepath.Glob(filepath.Join(bridgetest.Root(t), filepath.FromSlash(folder), "*_test.go"))
	if err != nil {
		t.Fatal(err)
	}
	out := map[string]*ast.FuncDecl{}
	for _, file := range files {
		f, err := parser.ParseFile(token.NewFileSet(), file, nil, 0)
		if err != nil {
			t.Fatal(err)
		}
		for _, d := range f.Decls {
			if fn, ok := d.(*ast.FuncDecl); ok && fn.Recv == nil && strings.HasPrefix(fn.Name.Name, "Test") {
				out[fn.Name.Name] = fn
			}
		}
	}
	return out
}

// hasString reports whether s stands in fn as a string.
func hasString(fn *ast.FuncDecl, s string) (found bool) {
	ast.Inspect(fn, func(n ast.Node) bool {
		if l, ok := n.(*ast.BasicLit); ok && l.Kind == token.STRING {
			v, err := strconv.Unquote(l.Value)
			found = found || err == nil && v == s
		}
		return !found
	})
	return found
}
