#include <lobetime/core/errors.hpp>
#include <lobetime/model/layout.hpp>

#include <algorithm>
#include <unordered_set>
#include <utility>

namespace lobetime {
namespace {

// A group's level is a log ratio; five-fold either way is beyond any surgeon or device.
constexpr double kGroupBound = 1.6;

std::vector<std::string> distinct(const std::vector<std::string>& codes) {
    std::vector<std::string> found;
    std::unordered_set<std::string> seen;
    for (const auto& code : codes) {
        if (!code.empty() && seen.insert(code).second) found.push_back(code);
    }
    return found;
}

int position(const std::vector<std::string>& codes, const std::string& code) {
    const auto it = std::find(codes.begin(), codes.end(), code);
    return it == codes.end() || code.empty() ? -1 : static_cast<int>(it - codes.begin());
}

}  // namespace

ModelLayout::ModelLayout(std::vector<std::string> surgeons, std::vector<std::string> devices,
                         std::vector<std::string> learners)
    : surgeons_(std::move(surgeons)),
      devices_(std::move(devices)),
      learners_(std::move(learners)),
      learning_(surgeons_.size(), -1) {
    for (const auto& row : core_parameters()) names_.emplace_back(row.name);
    for (const auto& code : devices_) names_.push_back("device[" + code + "]");
    for (const auto& code : surgeons_) names_.push_back("surgeon_enucleation[" + code + "]");
    for (const auto& code : surgeons_) names_.push_back("surgeon_morcellation[" + code + "]");
    for (const auto& code : learners_) {
        const int surgeon = position(surgeons_, code);
        if (surgeon < 0) throw InvalidArgument("learner '" + code + "' is none of the surgeons");
        learning_[static_cast<std::size_t>(surgeon)] = size();
        names_.push_back("surgeon_learning[" + code + "]");
    }
}

ModelLayout ModelLayout::from_cases(const CaseTable& cases) {
    std::vector<std::string> surgeons = distinct(cases.surgeon), learners;
    std::unordered_set<std::string> learning;
    for (std::size_t i = 0; i < cases.size(); ++i) {
        if (cases.surgeon_case_no[i] <= kLearningCases) learning.insert(cases.surgeon[i]);
    }
    for (const std::string& code : surgeons) {
        if (learning.count(code) > 0) learners.push_back(code);
    }
    return ModelLayout(std::move(surgeons), distinct(cases.device), std::move(learners));
}

int ModelLayout::surgeon_position(const std::string& code) const { return position(surgeons_, code); }
int ModelLayout::device_position(const std::string& code) const { return position(devices_, code); }

Transform ModelLayout::transform(int parameter) const {
    return parameter < param::Count ? core_parameters()[static_cast<std::size_t>(parameter)].transform
                                    : Transform::identity;
}

std::string ModelLayout::unit(int parameter) const {
    return parameter < param::Count ? std::string(core_parameters()[static_cast<std::size_t>(parameter)].unit)
                                    : "log ratio";
}

std::string ModelLayout::meaning(int parameter) const {
    if (parameter < param::Count) return std::string(core_parameters()[static_cast<std::size_t>(parameter)].meaning);
    if (parameter < surgeon_enucleation_index(0)) return "blade rate of this device against its class";
    if (parameter < surgeon_morcellation_index(0)) return "enucleation time of this surgeon against the unit";
    return parameter < first_learning_index()
               ? "blade time of this surgeon against the unit"
               : "extra enucleation time while learning, of this surgeon against the unit";
}

double ModelLayout::lower(int parameter) const {
    return parameter < param::Count ? core_parameters()[static_cast<std::size_t>(parameter)].lower : -kGroupBound;
}

double ModelLayout::upper(int parameter) const {
    return parameter < param::Count ? core_parameters()[static_cast<std::size_t>(parameter)].upper : kGroupBound;
}

}  // namespace lobetime
