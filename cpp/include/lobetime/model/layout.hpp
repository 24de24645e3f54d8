#pragma once
#include <lobetime/cases/case_table.hpp>
#include <lobetime/model/parameters.hpp>

#include <string>
#include <vector>

namespace lobetime {

/// A surgeon of whom a case up to this number is recorded has a level of learning: to here reach the plateaus that
/// publications give (20 to 60 cases, World J Urol 2021;39:2427). Later cases cannot tell it from the surgeon's level.
inline constexpr double kLearningCases = 60.0;

/// Order and names of all parameters of one unit's model: the core ones, then a level for each device code, then the
/// enucleation and the morcellation level of each surgeon, then the level of learning of those who are seen to learn
/// (all on the log scale).
class ModelLayout {
public:
    ModelLayout() = default;
    /// `learners`: those of the surgeons who have a level of learning, in their order.
    ModelLayout(std::vector<std::string> surgeons, std::vector<std::string> devices,
                std::vector<std::string> learners = {});

    /// Surgeons and device codes in order of their first case.
    static ModelLayout from_cases(const CaseTable& cases);

    int size() const { return static_cast<int>(names_.size()); }
    const std::vector<std::string>& names() const { return names_; }
    const std::vector<std::string>& surgeons() const { return surgeons_; }
    const std::vector<std::string>& devices() const { return devices_; }
    const std::vector<std::string>& learners() const { return learners_; }

    int device_index(int device) const { return param::Count + device; }
    int surgeon_enucleation_index(int surgeon) const {
        return param::Count + static_cast<int>(devices_.size()) + surgeon;
    }
    int surgeon_morcellation_index(int surgeon) const {
        return surgeon_enucleation_index(surgeon) + static_cast<int>(surgeons_.size());
    }
    int first_learning_index() const { return surgeon_morcellation_index(static_cast<int>(surgeons_.size())); }
    /// -1 for a surgeon without a level of learning.
    int surgeon_learning_index(int surgeon) const { return learning_[static_cast<std::size_t>(surgeon)]; }

    int surgeon_position(const std::string& code) const;  ///< -1 if the code is blank or not known here
    int device_position(const std::string& code) const;

    Transform transform(int parameter) const;
    std::string unit(int parameter) const;
    std::string meaning(int parameter) const;
    double lower(int parameter) const;  ///< natural scale
    double upper(int parameter) const;

private:
    std::vector<std::string> surgeons_;
    std::vector<std::string> devices_;
    std::vector<std::string> learners_;
    std::vector<int> learning_;  ///< index of each surgeon's level of learning, or -1
    std::vector<std::string> names_;
};

}  // namespace lobetime
