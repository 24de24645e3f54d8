#include <lobetime/fit/observations.hpp>

#include <cmath>
#include <limits>

namespace lobetime {

std::string_view channel_name(Channel channel) {
    static constexpr std::array<std::string_view, kChannels> names = {
        "tissue", "enucleation", "haemostasis", "morcellation", "room", "operative", "theatre"};
    return names[static_cast<std::size_t>(channel)];
}

LogRatio log_ratio(double x) {
    static const double log_from = std::log(kLogFrom);
    if (x >= kLogFrom) return {std::log(x), 1.0};
    return {log_from + x / kLogFrom - 1.0, x / kLogFrom};
}

double rounding_step(const std::vector<double>& values) {
    constexpr int kFewest = 8;
    constexpr double kShare = 0.9;
    for (const double step : {30.0, 15.0, 10.0, 5.0, 1.0}) {
        int recorded = 0, multiples = 0;
        for (const double value : values) {
            if (!std::isfinite(value)) continue;
            ++recorded;
            if (std::fabs(std::remainder(value, step)) < 1e-9) ++multiples;
        }
        if (recorded >= kFewest && multiples >= kShare * recorded) return step;
    }
    return 0.0;
}

bool is_sum(Channel channel) { return channel == Channel::operative || channel == Channel::theatre; }

std::vector<Observation> observations_of(const CaseTable& cases, std::vector<CaseFeatures>& features) {
    std::vector<Observation> found;
    found.reserve(cases.size() * 4);
    const double tissue_step = rounding_step(cases.tissue_g), enucleation_step = rounding_step(cases.enucleation_min);
    const double haemostasis_step = rounding_step(cases.haemostasis_min);
    const double morcellation_step = rounding_step(cases.morcellation_min);
    const double operative_step = rounding_step(cases.operative_min), theatre_step = rounding_step(cases.theatre_min);
    for (std::size_t i = 0; i < cases.size(); ++i) {
        const int case_index = static_cast<int>(i);
        const MorcellationOutcome outcome = cases.morcellation_outcome[i];
        const bool complete = outcome == MorcellationOutcome::complete;
        const double enucleation = cases.enucleation_min[i], haemostasis = cases.haemostasis_min[i];
        const double morcellation = cases.morcellation_min[i], operative = cases.operative_min[i];
        const double theatre = cases.theatre_min[i];
        const auto recorded = [](double minutes) { return std::isfinite(minutes); };
        const auto add = [&](Channel channel, std::uint8_t phases, double minutes, double offset, double step) {
            const bool bound = !complete && (phases & phase::morcellation) != 0;
            found.push_back({case_index, bound ? ObservationKind::survivor : ObservationKind::residual, channel, phases,
                             minutes, offset, step});
        };

        if (outcome == MorcellationOutcome::deferred) features[i].log_tissue = std::numeric_limits<double>::quiet_NaN();
        if (std::isfinite(features[i].log_tissue))
            found.push_back(
                {case_index, ObservationKind::residual, Channel::tissue, 0, cases.tissue_g[i], 0.0, tissue_step});
        if (recorded(enucleation)) add(Channel::enucleation, phase::enucleation, enucleation, 0.0, enucleation_step);
        if (recorded(morcellation))
            add(Channel::morcellation, phase::morcellation, morcellation, 0.0, morcellation_step);
        if (recorded(haemostasis) && !recorded(operative))
            add(Channel::haemostasis, phase::haemostasis, haemostasis, 0.0, haemostasis_step);

        double offset = 0.0;
        std::uint8_t open = phase::haemostasis;
        if (recorded(enucleation))
            offset += enucleation;
        else
            open |= phase::enucleation;
        if (recorded(morcellation))
            offset += morcellation;
        else
            open |= phase::morcellation;
        if (recorded(operative))
            add(open == phase::haemostasis ? Channel::haemostasis : Channel::operative, open, operative, offset,
                operative_step);
        if (recorded(theatre)) {
            if (recorded(operative)) {
                add(Channel::room, phase::room, theatre, operative, theatre_step);
            } else {
                if (recorded(haemostasis)) {
                    offset += haemostasis;
                    open = static_cast<std::uint8_t>(open & ~phase::haemostasis);
                }
                open |= phase::room;
                add(open == phase::room ? Channel::room : Channel::theatre, open, theatre, offset, theatre_step);
            }
        }
        if (complete && std::isfinite(cases.canister_swaps[i]) && std::isfinite(features[i].log_canister))
            found.push_back(
                {case_index, ObservationKind::swap_count, Channel::morcellation, 0, cases.canister_swaps[i], 0.0, 0.0});
    }
    return found;
}

}  // namespace lobetime
