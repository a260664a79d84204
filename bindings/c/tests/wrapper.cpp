// Every class of coeval.hpp once: what it gives, that its values survive, and that failures are thrown with their parts.
// Argument: the folder of the demo recordings.
#include <cmath>
#include <cstdio>
#include <cstdlib>
#include <string>

#include <coeval.hpp>

static int checks_done;

#define CHECK(what)                                                                    \
    do {                                                                               \
        checks_done++;                                                                 \
        if (!(what)) {                                                                 \
            std::fprintf(stderr, "%s:%d: failed: %s\n", __FILE__, __LINE__, #what);    \
            std::exit(1);                                                              \
        }                                                                              \
    } while (0)

template <typename Work> static coeval::Error failure(Work &&work) {
    try {
        work();
    } catch (const coeval::Error &e) {
        return e;
    }
    std::fprintf(stderr, "nothing was thrown\n");
    std::exit(1);
}

// Noise in bursts, the same each time.
static std::vector<float> sound(std::size_t frames, std::size_t skip = 0) {
    std::vector<float> made;
    std::uint32_t state = 2463534242u;
    for (std::size_t i = 0; i < skip + frames; ++i) {
        state ^= state << 13, state ^= state >> 17, state ^= state << 5;
        const float x = static_cast<float>(static_cast<std::int32_t>(state) >> 16) / 65536.0f;
        if (i >= skip) made.push_back((i / 14400) % 3 == 0 ? x : x / 64.0f);
    }
    return made;
}

static coeval::Track track(const std::vector<float> &samples) {
    coeval::TrackBuilder builder(48000.0, 1);
    builder.push(samples.data(), samples.size());
    return builder.finish();
}

static void pairs() {
    const coeval::Track a = track(sound(10 * 48000)), b = track(sound(8 * 48000, 48000));
    coeval::PairOptions options;
    options.threads = 2;
    const coeval::Pair pair = coeval::align_pair(a, b, options);
    CHECK(pair.placed() && std::abs(pair.summary().offset_s - 1.0) < 1e-4);
    CHECK(coeval::Pair::from_json(pair.to_json()).to_json() == pair.to_json());
    CHECK(coeval::align_pair(coeval::Track::from_bytes(a.to_bytes()), b).to_json() == pair.to_json());
    const coeval::ClockMap map = pair.clock_map();
    CHECK(coeval::ClockMap::from_json(map.to_json()).to_timeline(3.0) == map.to_timeline(3.0));
    const coeval::Error e = failure([] { coeval::ClockMap::from_json("{}"); });
    CHECK(e.status() == COEVAL_DAMAGED && !e.message().empty() && e.path().empty());
    options.threads = 5000;
    CHECK(failure([&] { coeval::align_pair(a, b, options); }).status() == COEVAL_INVALID_ARGUMENT);
}

static void streams() {
    const std::vector<float> source = sound(48000);
    const coeval::ClockMap map = coeval::ClockMap::linear(0.0, 0.0, 1.0);
    coeval::Resampler resampler(map, {48000.0, 48000.0, 1, COEVAL_OPEN_END, 0.0, source.size()});
    std::vector<float> out(48000), block(1000), presence(1000);
    for (int round = 0; round < 2; ++round) {
        std::size_t done = 0;
        for (std::size_t at = 0; at < source.size(); at += 1000) {
            resampler.push_at(at, source.data() + at, 1000);
            while (const std::size_t n = resampler.pull(block.data(), 1000, presence.data())) {
                CHECK(presence[0] == 1.0f);
                std::copy_n(block.begin(), n, out.begin() + static_cast<std::ptrdiff_t>(done));
                done += n;
            }
        }
        CHECK(done == source.size() && out == source && resampler.done() && resampler.available() == 0);
        resampler.reset(0.0);
    }
    coeval::Limiter limiter(48000.0, 1, -20.0);
    limiter.push(source.data(), source.size());
    CHECK(limiter.pull(out.data(), out.size()) + limiter.latency_frames() == source.size());
    limiter.end();
    CHECK(limiter.pull(out.data(), out.size()) == limiter.latency_frames());

    coeval::LevelMeter meter(48000.0, 1);
    meter.push(source.data(), source.size());
    const coeval::LevelReport report = meter.finish();
    CHECK(report.summary().duration_s == 1.0 && report.channels().size() == 1);
    CHECK(report.advice().size() == report.summary().advice_count && report.stretches(COEVAL_CLIPPING).empty());
    CHECK(failure([] { coeval::LevelMeter(44100.5, 1); }).message().find("rate_hz") != std::string::npos);

    coeval::MarkerDetector detector(48000.0, 1, coeval::MarkerOptions().set(coeval_marker_options_set_min_score, -9.0));
    detector.push(source.data(), source.size());
    detector.end();
    const coeval::MarkerMatch match(detector, detector);
    CHECK(match.pairs().size() == match.summary().pair_count && detector.markers().size() < 1000);
    coeval::LtcDecoder timecode(48000.0);
    timecode.push(source.data(), source.size());
    timecode.end();
    CHECK(timecode.frames().empty());

    std::vector<float> spoken(300, 0.1f);
    std::fill(spoken.begin() + 100, spoken.begin() + 200, 0.9f);
    const coeval::SpeechSegments segments = coeval::SpeechCurve::from_values(spoken).find_segments();
    CHECK(segments.all().size() == 1 && segments.origin(1, 0.0) == -1);
    coeval::SharedMeter shared(segments);
    shared.push(source.data(), source.data(), source.size());
    CHECK(shared.finish().size() == 1);
}

static void shoots(const char *folder) {
    coeval::Shoot shoot;
    shoot.add_path(folder);
    const coeval::Alignment alignment = shoot.align();
    CHECK(alignment.event_count() == 1 && alignment.event(1).file_count() == alignment.file_count());
    CHECK(alignment.recording_count() > 2 && !alignment.recording_id(0).empty());
    CHECK(alignment.recording_kind(0) == COEVAL_CAMERA && alignment.recording_kind(1000) == -1);
    CHECK(alignment.pairs().size() > 1 && alignment.anchors().empty());
    CHECK(alignment.knots(1).size() == alignment.file(1).knot_count && alignment.jumps(1).empty());
    const coeval::Voices voices = coeval::hear(alignment, folder);
    CHECK(voices.recorder() == "rec-1" && voices.all().size() > 2);
    for (std::size_t i = 0; i < voices.all().size(); ++i) {
        CHECK(voices.cameras(i).size() == voices.all()[i].camera_count);
    }
    CHECK(coeval::Voices::from_json(voices.to_json(), alignment).to_json() == voices.to_json());
    const coeval::Plan plan =
        coeval::tighten(alignment, voices, coeval::TightenOptions().set(coeval_tighten_options_set_pause_s, 1.0));
    CHECK(plan.frame_rate().first > 0 && plan.entries().size() > 2 && plan.shown_s() > 1.0);
    CHECK(coeval::Plan::from_json(plan.to_json()).shown_s() == plan.shown_s() && plan.notes().size() < 100);
    const char *file = "coeval-wrapper-mix.wav";
    const coeval_rendered rendered = plan.render(
        alignment, voices, folder, file,
        coeval::MixOptions().set(coeval_mix_options_set_loudness, -18.0, -2.0).set(coeval_mix_options_set_replace, 1));
    std::remove(file);
    CHECK(std::abs(rendered.duration_s - plan.shown_s()) < 1e-4);
    const coeval::Error e = failure([] { coeval::Shoot().add_path("no/such/folder").align(); });
    CHECK(e.status() == COEVAL_NOT_FOUND && e.path() == "no/such/folder");
}

int main(int argc, char **argv) {
    CHECK(coeval::fits_library() && coeval::version() == coeval_version());
    pairs();
    streams();
    if (argc > 1) shoots(argv[1]);
    std::printf("wrapper: %d checks\n", checks_done);
    return 0;
}
