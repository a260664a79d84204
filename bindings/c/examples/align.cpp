// Two sounds on one clock, in C++: made here, pushed in blocks, compared, and one laid under the other.
#include <cmath>
#include <cstdint>
#include <iostream>
#include <random>
#include <stdexcept>
#include <vector>

#include <coeval.hpp>

namespace {

constexpr double rate_hz = 48000.0;

std::vector<float> shared_sound(std::size_t frames) {
    std::mt19937 random(7);
    std::vector<float> sound(frames);
    for (std::size_t i = 0; i < frames; ++i) {
        const float x = static_cast<float>(random()) / 2147483648.0f - 1.0f;
        sound[i] = (i / 14400) % 3 == 0 ? 0.5f * x : 0.01f * x; // talk, and pauses
    }
    return sound;
}

coeval::Track track_of(const float *samples, std::size_t frames, unsigned seed) {
    std::mt19937 random(seed);
    coeval::TrackBuilder builder(rate_hz, 2);
    std::vector<float> left(1000), right(1000);
    for (std::size_t at = 0; at < frames; at += left.size()) {
        const std::size_t count = std::min(left.size(), frames - at);
        for (std::size_t i = 0; i < count; ++i) {
            left[i] = samples[at + i] + 0.05f * (static_cast<float>(random()) / 2147483648.0f - 1.0f);
            right[i] = samples[at + i];
        }
        const float *channels[] = {left.data(), right.data()};
        builder.push(channels, count);
    }
    return builder.finish();
}

void require(bool condition, const char *what) {
    if (!condition) {
        throw std::logic_error(what);
    }
}

} // namespace

int main() try {
    const std::vector<float> sound = shared_sound(30 * 48000);
    const std::size_t later = 5 * 48000;
    const coeval::Track camera = track_of(sound.data(), sound.size(), 1);
    const coeval::Track recorder = track_of(sound.data() + later, 20 * 48000, 2);

    int reports = 0;
    const coeval::Pair pair = coeval::align_pair(camera, recorder, {}, [&](const char *, double) {
        ++reports;
        return true;
    });
    const coeval_pair_summary found = pair.summary();
    std::cout << "offset " << found.offset_s << " s, drift " << found.drift_ppm << " ppm, confidence "
              << found.confidence << ", " << reports << " reports\n";
    require(pair.placed() && std::abs(found.offset_s - 5.0) < 20e-6, "the recorder lies 5 s into the clip");
    require(pair.knots().size() == found.knot_count && !pair.evidence().empty(), "lists are whole");

    // A listener may stop the work, and what it throws comes out here.
    try {
        coeval::align_pair(camera, recorder, {}, [](const char *, double) { return false; });
        require(false, "stopped work throws");
    } catch (const coeval::Error &e) {
        require(e.status() == COEVAL_CANCELLED, "and says that it was stopped");
    }
    try {
        coeval::align_pair(camera, recorder, {}, [](const char *, double) -> bool { throw std::range_error("mine"); });
        require(false, "what a listener throws comes out");
    } catch (const std::range_error &) {
    }
    try {
        coeval::TrackBuilder impossible(0.0, 1);
        require(false, "no rate, no builder");
    } catch (const coeval::Error &e) {
        std::cout << "as it should: " << e.what() << '\n';
    }

    // The recorder's sound under the camera's clip.
    coeval::Resampler resampler(pair.clock_map(), {rate_hz, rate_hz, 1, 30 * 48000});
    std::vector<float> conformed;
    std::vector<float> block(1024);
    for (std::size_t got = 1; got > 0;) {
        while (const auto frame = resampler.wants()) {
            const std::size_t from = std::min<std::size_t>(*frame, 20 * 48000);
            const std::size_t count = std::min<std::size_t>(block.size(), 20 * 48000 - from);
            count > 0 ? resampler.push(sound.data() + later + from, count) : resampler.end_of_source();
        }
        got = resampler.pull(block.data(), block.size());
        conformed.insert(conformed.end(), block.begin(), block.begin() + static_cast<std::ptrdiff_t>(got));
    }
    require(conformed.size() == sound.size(), "as long as the clip");

    // When does somebody speak?
    coeval::SpeechBuilder listener(rate_hz, 1);
    listener.push(conformed.data(), conformed.size());
    const coeval::SpeechCurve speech = listener.finish();
    for (const coeval_speech_segment &segment : speech.segments()) {
        std::cout << "speech from " << segment.start_s << " to " << segment.end_s << " s\n";
    }
    require(speech.probability().size() == 3000, "a value for every 10 ms");

    // All of it at once, as a shoot.
    const coeval::Alignment alignment = coeval::Shoot()
                                            .add_track("CAM_A_001", "cam-a", COEVAL_CAMERA, track_of(sound.data(), sound.size(), 1))
                                            .add_track("REC_001", "rec-1", COEVAL_RECORDER, track_of(sound.data() + later, 20 * 48000, 2))
                                            .set(coeval_shoot_set_main, "cam-a")
                                            .align();
    for (std::size_t i = 0; i < alignment.file_count(); ++i) {
        std::cout << alignment.path(i) << " starts at " << alignment.file(i).offset_s << " s\n";
    }
    require(coeval::Alignment::from_json(alignment.to_json()).to_json() == alignment.to_json(), "JSON goes round");
    return 0;
} catch (const std::exception &e) {
    std::cerr << "failed: " << e.what() << '\n';
    return 1;
}
